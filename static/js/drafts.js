// Keeps what is typed into the forms of a run in this browser until the server has it.
//
// A draft is {values, id}. It is written at every keystroke. When a form goes off it gets an id, which
// the server sends back in a cookie once it has stored what came; only then is the draft dropped. Whatever
// else happens, a lost connection or a failing server, leaves it where it is.
(() => {
  "use strict";

  const PREFIX = "yieldwright-draft:";
  const RECEIVED = /(?:^|;\s*)yieldwright-received=([\w-]+)/;

  const read = (name) => {
    try {
      return JSON.parse(localStorage.getItem(name));
    } catch {
      return null;
    }
  };
  const write = (name, draft) => {
    try {
      localStorage.setItem(name, JSON.stringify(draft));
    } catch {
      /* A full or forbidden store: the form works as before, without a draft. */
    }
  };

  try {
    const received = RECEIVED.exec(document.cookie)?.[1];
    for (const name of Object.keys(localStorage)) {
      if (received && name.startsWith(PREFIX) && read(name)?.id === received) localStorage.removeItem(name);
    }
  } catch {
    return; // no storage allowed
  }

  const keep = (form) => {
    const key = PREFIX + form.dataset.draft;
    const fields = () => [...form.elements].filter((e) => e.name && !["hidden", "submit", "button", "file", "checkbox"].includes(e.type));
    const values = () => Object.fromEntries(fields().map((e) => [e.name, e.value]));
    const blank = JSON.stringify(values());

    const notice = document.createElement("div");
    notice.className = "notice";
    notice.setAttribute("role", "status");
    notice.hidden = true;
    form.before(notice);
    const say = (text, action, act) => {
      notice.replaceChildren(Object.assign(document.createElement("p"), { textContent: text }));
      if (action) {
        const button = Object.assign(document.createElement("button"), { type: "button", className: "secondary outline", textContent: action });
        button.addEventListener("click", act);
        notice.append(button);
      }
      notice.hidden = false;
    };

    const draft = read(key);
    if (form.hasAttribute("data-answered")) {
      write(key, { values: values() }); // the server sent it back: it is a draft again
    } else if (draft && JSON.stringify(draft.values) !== blank) {
      for (const e of fields()) if (e.name in draft.values) e.value = draft.values[e.name];
      const fold = form.closest("details");
      if (fold) fold.open = true;
      say("What you typed before is here again; the server did not have it yet.", "Start afresh", () => {
        localStorage.removeItem(key);
        location.reload();
      });
    }

    form.addEventListener("input", () => write(key, { values: values() }));

    form.addEventListener("submit", (event) => {
      event.preventDefault();
      write(key, { values: values() });
      fetch(document.querySelector("link[rel=icon]").href, { cache: "no-store" }).then((answer) => answer.text()).then(
        () => {
          const id = `${Date.now().toString(36)}-${Math.random().toString(36).slice(2)}`;
          write(key, { values: values(), id });
          form.append(Object.assign(document.createElement("input"), { type: "hidden", name: "draft", value: id }));
          form.submit();
        },
        () => say("The server cannot be reached. What you typed is kept in this browser: try again when the connection is back."),
      );
    });
  };

  document.querySelectorAll("form[data-draft]").forEach(keep);
})();
