// A number keeps its unit beside it at the end of a line.
(() => {
  "use strict";

  const parted = /(\d\)?) (?=(?:%|°[CF]|(?:[kmµ]?g|[mµ]?L|m?mol|mol%|wt%|s|min|h|d|K|M)(?![\p{L}\d%])))/gu;
  // What is typed, sent or read by scripts stays as it is.
  const left = "script, style, textarea, select, option, pre, code, svg";

  const join = (root) => {
    const walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
    const found = [];
    while (walker.nextNode()) found.push(walker.currentNode);
    for (const text of found) {
      if (!/\d /.test(text.data) || text.parentElement?.closest(left)) continue;
      const joined = text.data.replace(parted, "$1\u00a0");
      if (joined !== text.data) text.data = joined;
    }
  };

  const main = document.querySelector("main");
  if (!main) return;
  join(main);
  // A forecast that follows the settings comes later.
  new MutationObserver((changes) => {
    for (const change of changes) {
      for (const node of change.addedNodes) {
        const root = node instanceof Element ? node : node.parentElement;
        if (root && !root.closest("svg")) join(root);
      }
    }
  }).observe(main, { childList: true, subtree: true });
})();
