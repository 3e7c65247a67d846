// Keeps what is typed into a form in this browser until the server has it, and sends forms off.
//
// A draft is {values, drawn, id}: what stands in the fields, and what the server had drawn there. Only what was
// changed is put back, so that what came from another device meanwhile stays. It is written at every keystroke.
// When a form goes off it gets an id, which the server sends back in a cookie once it has stored what came; only
// then is the draft dropped. Whatever else happens, a lost connection or a failing server, leaves it where it is.
//
// Every form that stores something goes off from here, with a draft or without: only when the server can be
// reached, so that the page with what was typed is not left for an error page of the browser, and only once.
(() => {
  "use strict";

  const PREFIX = "yieldwright-draft:";
  // Another database at the same address has runs with the same numbers.
  const DATABASE = document.querySelector("meta[name=yieldwright-database]")?.content ?? "";
  const RECEIVED = /(?:^|;\s*)yieldwright-received=([\w-]+)/;
  // Until then nothing is said, so that quick answers do not flicker. [ms]
  const SOON = 1000;
  // A server that does not answer a small question for so long is not there. [ms]
  const LONGEST_PROBE = 8000;
  // After this a form may go off again: its load may have been stopped. [ms]
  const LONGEST_ANSWER = 10_000;
  const NOT_KEPT = ["hidden", "submit", "button", "file", "radio"];

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
      return true;
    } catch {
      return false; // a full or forbidden store: the form works as before, without a draft
    }
  };
  const drop = (name) => {
    try {
      localStorage.removeItem(name);
    } catch {
      /* No storage allowed: there is nothing to drop. */
    }
  };
  const keyOf = (draft) => `${PREFIX}${DATABASE}:${draft}`;

  try {
    const received = RECEIVED.exec(document.cookie)?.[1];
    for (const name of Object.keys(localStorage)) {
      if (received && name.startsWith(PREFIX) && read(name)?.id === received) drop(name);
    }
  } catch {
    /* No storage allowed. */
  }
  // What the page itself carries on is no draft any more.
  document.querySelectorAll("[data-done]").forEach((form) => drop(keyOf(form.dataset.done)));

  const probe = () => {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), LONGEST_PROBE);
    const asked = fetch(document.querySelector("link[rel=icon]").href, { cache: "no-store", signal: stop.signal });
    return asked.then((answer) => answer.text()).finally(() => clearTimeout(timer));
  };

  const follow = (form) => {
    const key = form.dataset.draft ? keyOf(form.dataset.draft) : "";
    // A form to play with is a draft only once it was sent off.
    const isKeptWhenSent = form.dataset.draftWhen === "sent";
    let isGoing = false;
    const isField = (e) => e.name && (e.type === "checkbox" ? "keep" in e.dataset : !NOT_KEPT.includes(e.type));
    const fields = () => [...form.elements].filter(isField);
    const nameOf = (e) => (e.type === "checkbox" ? `${e.name}=${e.value}` : e.name);
    const valueOf = (e) => (e.type === "checkbox" ? (e.checked ? "yes" : "") : e.value);
    const put = (e, value) => {
      if (e.type === "checkbox") e.checked = value === "yes";
      else e.value = value;
    };
    const values = () => Object.fromEntries(fields().map((e) => [nameOf(e), valueOf(e)]));
    const drawn = values();
    const ticked = () => [...form.elements].filter((e) => e.type === "checkbox" && e.checked).map((e) => `${e.name}=${e.value}`).join("&");
    const ticks = ticked();

    const notice = Object.assign(document.createElement("div"), { className: "notice", tabIndex: -1, hidden: true });
    notice.setAttribute("role", "status");
    const say = (text, action, act) => {
      notice.replaceChildren(Object.assign(document.createElement("p"), { textContent: text }));
      if (action) {
        const button = Object.assign(document.createElement("button"), { type: "button", className: "secondary outline", textContent: action });
        button.addEventListener("click", act);
        notice.append(button);
      }
      notice.hidden = false;
    };
    const progress = Object.assign(document.createElement("p"), { className: "sending" });
    progress.setAttribute("role", "status");
    // In sight of whoever pressed the button: before the first of the buttons that stand together.
    const putAtButton = (element, submitter) => {
      const isSeen = submitter && !("enter" in submitter.dataset);
      let place = isSeen ? submitter : form.querySelector("button[type=submit]:not([data-enter])");
      while (place?.previousElementSibling?.matches("button, a.cancel, p.sending")) place = place.previousElementSibling;
      if (place) place.before(element);
      else form.prepend(element);
    };

    const draft = key ? read(key) : null;
    const isAnswered = form.hasAttribute("data-answered");
    // A form that was sent back is drawn with what was typed: what the server has is what was drawn before.
    const before = (isAnswered && draft?.drawn) || drawn;
    const keep = (more) => key !== "" && write(key, { values: values(), drawn: before, ...more });
    const typed = Object.entries(draft?.values ?? {}).filter(([name, value]) => value !== (draft.drawn ?? {})[name]);
    const missing = typed.filter(([name, value]) => name in drawn && drawn[name] !== value);
    if (isAnswered) {
      keep(); // it is a draft again
    } else if (missing.length) {
      const lost = Object.fromEntries(missing);
      for (const e of fields()) {
        if (!(nameOf(e) in lost)) continue;
        put(e, lost[nameOf(e)]);
        if (e.closest("details")) e.closest("details").open = true;
      }
      // A forecast follows, and a slider beside its number, once their own scripts are ready (htmx is so only after a timer of its own).
      if (form.hasAttribute("hx-get")) {
        const catchUp = () => fields().forEach((e) => e.dispatchEvent(new Event("input", { bubbles: true })));
        window.addEventListener("load", () => setTimeout(catchUp));
      }
      form.before(notice);
      say("What you typed before is here again; the server did not have it yet.", "Start afresh", () => {
        drop(key);
        location.reload();
      });
      // It went off, and no answer came: was it stored? Whoever has typed on since keeps that.
      if (draft.id) {
        fetch(`/received/${draft.id}`, { cache: "no-store" }).then((answer) => answer.json()).then(({ stored }) => {
          const isAsPutBack = fields().every((e) => valueOf(e) === (lost[nameOf(e)] ?? drawn[nameOf(e)]));
          if (!stored || !isAsPutBack || read(key)?.id !== draft.id) return;
          drop(key);
          for (const e of fields()) put(e, drawn[nameOf(e)]);
          say("What you sent last from here was stored, although its answer did not arrive.");
        }, () => {});
      }
    }

    form.addEventListener("input", () => {
      if (!isKeptWhenSent) keep();
    });

    const comeBack = () => {
      isGoing = false;
      progress.remove();
      form.querySelectorAll("input[data-sent]").forEach((field) => field.remove());
    };
    const send = (submitter) => {
      // A second tap while the first is on its way would store a second run.
      if (isGoing) return;
      comeBack();
      isGoing = true;
      notice.hidden = true;
      putAtButton(progress, submitter);
      progress.textContent = "";
      const waiting = setTimeout(() => {
        progress.textContent = "Sending…";
      }, SOON);
      // The same values sent once more, because no answer came, keep their id: the server stores them once.
      const earlier = key ? read(key) : null;
      // The Enter key means the time that is typed, or now.
      const isEnter = submitter && "enter" in submitter.dataset;
      const by = isEnter ? (form.elements.at?.value.trim() ? "elapsed" : "now") : (submitter?.value ?? "");
      const isSame =
        earlier?.id &&
        earlier.by === by &&
        earlier.ticked === ticked() &&
        JSON.stringify(earlier.values) === JSON.stringify(values()) &&
        // A while later, 'now' is another moment.
        (by !== "now" || Date.now() - earlier.sent < 30_000);
      const id = isSame ? earlier.id : `${Date.now().toString(36)}-${Math.random().toString(36).slice(2)}`;
      const isKept = keep();
      const append = (name, value) => {
        const field = Object.assign(document.createElement("input"), { type: "hidden", name, value });
        field.dataset.sent = "";
        form.append(field);
      };
      probe().then(
        () => {
          if (key) {
            keep({ id, by, sent: Date.now(), ticked: ticked() });
            append("draft", id);
          }
          // Which button it was goes along; a form that a script sends off has none.
          if (submitter?.name) append(submitter.name, submitter.value);
          HTMLFormElement.prototype.submit.call(form);
          setTimeout(() => {
            comeBack();
            putAtButton(progress, submitter);
            const again = key && by !== "now" ? "press again: it is stored once" : "look on another page whether it arrived before you press again";
            progress.textContent = `No answer has come yet. Wait, or ${again}.`;
          }, LONGEST_ANSWER);
        },
        () => {
          clearTimeout(waiting);
          comeBack();
          const { at } = form.elements;
          let then = "try again when the connection is back.";
          if (by === "now" && at) {
            // Later, 'now' would be another time.
            const moment = new Date();
            at.value = new Date(moment - moment.getTimezoneOffset() * 60_000).toISOString().slice(0, 16).replace("T", " ");
            if (at.closest("details")) at.closest("details").open = true;
            keep();
            then = `when the connection is back, note it ‘at this time of day’, ${at.value.slice(11)}.`;
          }
          putAtButton(notice, submitter);
          say(`The server cannot be reached. ${isKept ? "What you typed is kept in this browser" : "Nothing was sent, and this page stays as it is"}: ${then}`);
          notice.focus();
        },
      );
    };
    // Back from the page that came: the form may go off again.
    window.addEventListener("pageshow", (event) => {
      if (event.persisted) comeBack();
    });

    // What was given up is not offered again; nothing is given up unasked.
    const hasFile = () => [...form.elements].some((e) => e.type === "file" && e.files.length);
    const isChanged = () => isAnswered || ticked() !== ticks || hasFile() || JSON.stringify(values()) !== JSON.stringify(drawn);
    form.querySelectorAll("a.cancel").forEach((link) => {
      link.addEventListener("click", (event) => {
        if (!("unasked" in link.dataset) && isChanged() && !window.confirm("Leave, and give up what you typed here?")) event.preventDefault();
        else if (key) drop(key);
      });
    });
    return send;
  };

  const senders = new WeakMap();
  const senderOf = (form) => {
    if (!senders.has(form)) senders.set(form, follow(form));
    return senders.get(form);
  };
  document.querySelectorAll("form[method=post]").forEach(senderOf);

  // Behind what the form itself has to say: a question, or fields of another form that go along.
  document.addEventListener("submit", (event) => {
    const { target: form, submitter } = event;
    if (event.defaultPrevented || (submitter?.getAttribute("formmethod") ?? form.method) !== "post") return;
    event.preventDefault();
    senderOf(form)(submitter);
  });
})();
