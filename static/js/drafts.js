// Keeps what is typed into a run in this browser until the server has it.
//
// A draft is {values, sent}. It is written at every keystroke, marked as sent when the form goes
// off, and dropped when the next page of the app arrives: then the server has answered. A lost
// connection shows no page of the app, so the draft stays.
(() => {
  "use strict";

  const PREFIX = "yieldwright-draft:";
  const form = document.querySelector("form[data-draft]");
  const key = form ? PREFIX + form.dataset.draft : null;

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

  // Another page than the form itself came as the answer: what was sent has arrived.
  const drop = () => {
    for (const name of Object.keys(localStorage)) {
      if (name.startsWith(PREFIX) && name !== key && read(name)?.sent) localStorage.removeItem(name);
    }
  };
  try {
    drop();
  } catch {
    return; // no storage allowed
  }
  if (!form) return;

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
    write(key, { values: values(), sent: false }); // the server sent it back: it is a draft again
  } else if (draft && JSON.stringify(draft.values) !== blank) {
    for (const e of fields()) if (e.name in draft.values) e.value = draft.values[e.name];
    say("What you typed before is here again; the server did not have it yet.", "Start afresh", () => {
      localStorage.removeItem(key);
      location.reload();
    });
  }

  form.addEventListener("input", () => write(key, { values: values(), sent: false }));

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    write(key, { values: values(), sent: false });
    fetch(document.querySelector("link[rel=icon]").href, { cache: "no-store" }).then((answer) => answer.text()).then(
      () => {
        write(key, { values: values(), sent: true });
        form.submit();
      },
      () => say("The server cannot be reached. What you typed is kept in this browser: try again when the connection is back."),
    );
  });
})();
