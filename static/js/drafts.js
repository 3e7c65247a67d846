// Keeps what is typed into a form in this browser until the server has it.
//
// A draft is {values, drawn, id}: what stands in the fields, and what the server had drawn there. Only what was
// changed is put back, so that what came from another device meanwhile stays. It is written at every keystroke.
// When a form goes off it gets an id, which the server sends back in a cookie once it has stored what came; only
// then is the draft dropped. Whatever else happens, a lost connection or a failing server, leaves it where it is.
(() => {
  "use strict";

  const PREFIX = "yieldwright-draft:";
  // Another database at the same address has runs with the same numbers.
  const DATABASE = document.querySelector("meta[name=yieldwright-database]")?.content ?? "";
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

  const follow = (form) => {
    const key = `${PREFIX}${DATABASE}:${form.dataset.draft}`;
    let isGoing = false;
    const fields = () => [...form.elements].filter((e) => e.name && !["hidden", "submit", "button", "file", "checkbox"].includes(e.type));
    const values = () => Object.fromEntries(fields().map((e) => [e.name, e.value]));
    const drawn = values();
    const ticked = () => [...form.elements].filter((e) => e.type === "checkbox" && e.checked).map((e) => `${e.name}=${e.value}`).join("&");

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
    const isAnswered = form.hasAttribute("data-answered");
    // A form that was sent back is drawn with what was typed: what the server has is what was drawn before.
    const before = (isAnswered && draft?.drawn) || drawn;
    const keep = (more) => write(key, { values: values(), drawn: before, ...more });
    const typed = Object.entries(draft?.values ?? {}).filter(([name, value]) => value !== (draft.drawn ?? {})[name]);
    const missing = typed.filter(([name, value]) => name in drawn && drawn[name] !== value);
    if (isAnswered) {
      keep(); // it is a draft again
    } else if (missing.length) {
      const lost = Object.fromEntries(missing);
      for (const e of fields()) {
        if (!(e.name in lost)) continue;
        e.value = lost[e.name];
        if (e.closest("details")) e.closest("details").open = true;
        // What shows or hides with a choice follows, once its own script is there.
        if (e.tagName === "SELECT") setTimeout(() => e.dispatchEvent(new Event("change", { bubbles: true })));
      }
      const fold = form.closest("details");
      if (fold) fold.open = true;
      say("What you typed before is here again; the server did not have it yet.", "Start afresh", () => {
        localStorage.removeItem(key);
        location.reload();
      });
      // It went off, and no answer came: was it stored? Whoever has typed on since keeps that.
      if (draft.id) {
        fetch(`/received/${draft.id}`, { cache: "no-store" }).then((answer) => answer.json()).then(({ stored }) => {
          const isAsPutBack = fields().every((e) => e.value === (lost[e.name] ?? drawn[e.name]));
          if (!stored || !isAsPutBack || read(key)?.id !== draft.id) return;
          localStorage.removeItem(key);
          for (const e of fields()) e.value = drawn[e.name];
          say("What you sent last from here was stored, although its answer did not arrive.");
        }, () => {});
      }
    }

    form.addEventListener("input", () => keep());

    form.addEventListener("submit", (event) => {
      event.preventDefault();
      // A second tap while the first is on its way would store a second run.
      if (isGoing) return;
      isGoing = true;
      const { submitter } = event;
      // The same values sent once more, because no answer came, keep their id: the server stores them once.
      const earlier = read(key);
      const by = submitter?.value ?? "";
      const isSame =
        earlier?.id &&
        earlier.by === by &&
        earlier.ticked === ticked() &&
        JSON.stringify(earlier.values) === JSON.stringify(values()) &&
        // A while later, 'now' is another moment.
        (by !== "now" || Date.now() - earlier.sent < 30_000);
      const id = isSame ? earlier.id : `${Date.now().toString(36)}-${Math.random().toString(36).slice(2)}`;
      keep();
      fetch(document.querySelector("link[rel=icon]").href, { cache: "no-store" }).then((answer) => answer.text()).then(
        () => {
          keep({ id, by, sent: Date.now(), ticked: ticked() });
          form.append(Object.assign(document.createElement("input"), { type: "hidden", name: "draft", value: id }));
          // Which button it was goes along; a form that a script sends off has none.
          if (submitter?.name) form.append(Object.assign(document.createElement("input"), { type: "hidden", name: submitter.name, value: submitter.value }));
          form.submit();
        },
        () => {
          isGoing = false;
          const at = form.elements.at;
          let then = "try again when the connection is back.";
          if (submitter?.value === "now" && at) {
            // Later, 'now' would be another time.
            const moment = new Date();
            at.value = new Date(moment - moment.getTimezoneOffset() * 60_000).toISOString().slice(0, 16).replace("T", " ");
            if (at.closest("details")) at.closest("details").open = true;
            keep();
            then = `when the connection is back, note it ‘at this time of day’, ${at.value.slice(11)}.`;
          }
          say(`The server cannot be reached. What you typed is kept in this browser: ${then}`);
        },
      );
    });
    // Back from the page that came: the form may go off again.
    window.addEventListener("pageshow", (event) => {
      if (event.persisted) isGoing = false;
    });

    // What was given up is not offered again.
    form.querySelectorAll("a.cancel").forEach((link) => link.addEventListener("click", () => localStorage.removeItem(key)));
  };

  document.querySelectorAll("form[data-draft]").forEach(follow);
})();
