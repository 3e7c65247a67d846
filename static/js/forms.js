// Small helps for forms; every form works without them.
(() => {
  "use strict";

  // What the server has to say takes the focus, so that it is read out and in sight.
  const told = document.querySelector("[data-focus]");
  told?.focus();
  // An address that points into the page takes it away once more, as soon as all of the page is there.
  if (told && location.hash) {
    let tries = 10;
    const again = () => {
      if (document.activeElement === document.body) told.focus();
      if (tries-- > 0) setTimeout(again, 50);
    };
    window.addEventListener("load", again);
  }

  document.querySelectorAll("form[data-confirm]").forEach((form) => {
    form.addEventListener("submit", (event) => {
      if (!window.confirm(form.dataset.confirm)) event.preventDefault();
    });
  });

  // What stands in another form of the page goes along, so that it is not lost on the way.
  document.querySelectorAll("form[data-with]").forEach((form) => {
    form.addEventListener("submit", (event) => {
      const other = document.querySelector(form.dataset.with);
      if (!other || event.submitter?.formMethod === "get") return;
      form.querySelectorAll("input[data-along]").forEach((field) => field.remove());
      for (const [name, value] of new FormData(other)) {
        if (name === "draft") continue; // that of a form that went off before
        const field = Object.assign(document.createElement("input"), { type: "hidden", name, value });
        field.dataset.along = "";
        form.append(field);
      }
    });
  });

  // Numbers or options: only the part that fits the role is shown. A draft has put the role back before (drafts.js).
  const variable = document.querySelector("[data-variable-form]");
  if (variable) {
    const role = variable.querySelector("[name=role]");
    const show = () => {
      const choice = role.value === "choice";
      variable.querySelectorAll("[data-for]").forEach((part) => {
        part.hidden = (part.dataset.for === "choice") !== choice;
      });
    };
    role.addEventListener("change", show);
    show();
  }

  // A slider beside a number field: each follows the other.
  document.querySelectorAll("[data-slider]").forEach((slider) => {
    const field = document.getElementById(slider.dataset.slider);
    const follow = () => {
      if (field.value.trim() !== "" && Number.isFinite(Number(field.value))) slider.value = field.value;
    };
    follow();
    slider.hidden = false;
    slider.addEventListener("input", () => {
      field.value = String(Number(slider.value));
    });
    field.addEventListener("input", follow);
  });

  // Some keypads have a comma only: a decimal comma becomes a point where everybody can see it.
  // 7,250 may mean seven thousand: that one is left for the server to ask about.
  const mayBeThousands = (text) => /^\s*[+\-−]?[1-9]\d{0,2},\d{3}\s*$/.test(text);
  const isDecimalComma = (text) => /^\s*[+\-−]?\d+,\d+\s*$/.test(text) && !mayBeThousands(text);
  // The base value of a variable is a number unless the variable is a choice.
  const holdsNumber = (field) =>
    field.inputMode === "decimal" || field.id === "f-at" || (field.id === "f-base" && document.getElementById("f-role")?.value !== "choice");
  const units = [
    { "µg": 1e-6, mg: 1e-3, g: 1, kg: 1e3 },
    { "µL": 1e-3, mL: 1, L: 1e3 },
    { s: 1, min: 60, h: 3600, d: 86400 },
    { "µmol": 1e-3, mmol: 1, mol: 1e3 },
  ];
  const plainly = (unit) => unit.replace(/[\s°]/g, "").replace(/[uμ](?=g|l|mol)/i, "µ");
  // How many of the field's unit one of the typed unit is; nothing where the two have nothing to do with each other.
  const factor = (typed, wanted) => {
    const [from, to] = [plainly(typed), plainly(wanted)];
    if (from.toLowerCase() === to.toLowerCase() || (from === "%" && to.startsWith("%"))) return 1;
    const family = units.find((one) => to in one);
    const known = Object.keys(family ?? {}).find((unit) => unit.toLowerCase() === from.toLowerCase());
    return known ? family[known] / family[to] : undefined;
  };
  // The unit of a field; that of a variable's numbers stands in the field of its unit.
  const ofVariable = ["f-low", "f-high", "f-step", "f-hard_low", "f-hard_high", "f-base"];
  const unitOf = (field) =>
    field.dataset.unit ?? (ofVariable.includes(field.id) ? document.getElementById("f-unit")?.value.trim() || undefined : undefined);
  // 5 h 30 min in a field in hours becomes 5.5.
  const duration = (text, wanted) => {
    const time = units.find((one) => "min" in one);
    const found = /^\s*(?:(\d+) ?d)?\s*(?:(\d+) ?h)?\s*(?:(\d+) ?min)?\s*$/i.exec(text);
    if (!found || !(wanted in time) || found.slice(1).filter(Boolean).length < 2) return undefined;
    const seconds = ["d", "h", "min"].reduce((sum, unit, k) => sum + Number(found[k + 1] ?? 0) * time[unit], 0);
    return String(Number((seconds / time[wanted]).toPrecision(12)));
  };
  // 850 mg in a field in grams becomes 0.85 where everybody can see it.
  const withoutUnit = (field) => {
    const wanted = unitOf(field);
    const whole = wanted ? duration(field.value, wanted) : undefined;
    if (whole !== undefined) return whole;
    const found = /^\s*([+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*([^\d.,\s].{0,20}?)\s*$/.exec(field.value);
    const times = found && wanted ? factor(found[2], wanted) : undefined;
    if (times === undefined) return field.value;
    if (times === 1) return found[1];
    if (mayBeThousands(found[1])) return field.value;
    return String(Number((Number(found[1].replace(",", ".").replace("−", "-")) * times).toPrecision(12)));
  };
  document.addEventListener("change", (event) => {
    const field = event.target;
    if (!(field instanceof HTMLInputElement) || !holdsNumber(field)) return;
    const bare = withoutUnit(field);
    const seen = isDecimalComma(bare) ? bare.replace(",", ".") : bare;
    if (seen === field.value) return;
    field.value = seen;
    field.dispatchEvent(new Event("input", { bubbles: true }));
  });

  // 8,412 may be a decimal comma or a thousand: one tap says that it is a comma.
  document.addEventListener("change", (event) => {
    const field = event.target;
    if (!(field instanceof HTMLInputElement) || !holdsNumber(field)) return;
    const place = field.closest(".with-unit") ?? field;
    place.parentElement.querySelector("button.comma")?.remove();
    if (!mayBeThousands(field.value)) return;
    const meant = field.value.trim().replace(",", ".");
    const button = Object.assign(document.createElement("button"), { type: "button", className: "comma secondary outline", textContent: `It is ${meant}` });
    button.addEventListener("click", () => {
      field.value = meant;
      button.remove();
      field.dispatchEvent(new Event("input", { bubbles: true }));
      field.focus();
    });
    place.after(button);
  });

  // The name of the page that is open stays in sight where the names stand in one line.
  const here = document.querySelector(".rail [aria-current]");
  const line = here?.closest("ul");
  if (line) line.scrollLeft = here.offsetLeft - line.clientWidth / 2 + here.offsetWidth / 2;

  // Times of day are local: the browser knows where, and by how much today.
  document.querySelectorAll("[data-offset]").forEach((field) => {
    field.value = String(-new Date().getTimezoneOffset());
  });
  document.querySelectorAll("[data-zone]").forEach((field) => {
    field.value = new Intl.DateTimeFormat().resolvedOptions().timeZone ?? "";
  });
  document.querySelectorAll("time[data-local]").forEach((place) => {
    const moment = new Date(place.dateTime);
    const two = (number) => String(number).padStart(2, "0");
    const day = `${moment.getFullYear()}-${two(moment.getMonth() + 1)}-${two(moment.getDate())}`;
    place.textContent = `${day} ${two(moment.getHours())}:${two(moment.getMinutes())}`;
  });

  // How long ago something began goes on while the page is open.
  const ago = (since) => {
    const minutes = Math.floor((Date.now() - new Date(since)) / 60_000);
    if (minutes < 0) return "";
    if (minutes < 60) return `, ${minutes} min ago`;
    const [days, hours] = [Math.floor(minutes / 1440), Math.floor((minutes % 1440) / 60)];
    return days ? `, ${days} d ${hours} h ago` : `, ${hours} h ${minutes % 60} min ago`;
  };
  const tick = () => {
    document.querySelectorAll("[data-since]").forEach((place) => {
      place.textContent = ago(place.dataset.since);
    });
  };
  tick();
  if (document.querySelector("[data-since]")) setInterval(tick, 5000);

  // A forecast that cannot follow the settings must not stand beside them; the next one that comes takes its place again.
  const withoutForecast = (event) => {
    const form = event.target;
    const status = event.detail?.ctx?.response?.status;
    if (!(form instanceof HTMLFormElement) || !form.hasAttribute("hx-target") || status === 422) return;
    const place = document.querySelector(form.getAttribute("hx-target"));
    const notice = Object.assign(document.createElement("div"), { className: "notice problem" });
    notice.setAttribute("role", "status");
    const reason = status ? "the server could not work it out" : "the server cannot be reached";
    const text = `There is no forecast for the settings as they are now: ${reason}. The one before was for other settings.`;
    const button = Object.assign(document.createElement("button"), { type: "button", className: "secondary outline", textContent: "Try again" });
    button.addEventListener("click", () => form.dispatchEvent(new Event("input", { bubbles: true })));
    notice.append(Object.assign(document.createElement("p"), { textContent: text }), button);
    if (place?.querySelector("h3")) place.querySelector("h3").textContent = "Your settings";
    place?.querySelectorAll(":scope > :not(h3)").forEach((part) => part.remove());
    place?.append(notice);
  };
  document.addEventListener("htmx:error", withoutForecast);
  document.addEventListener("htmx:response:error", withoutForecast);

  document.querySelectorAll("[data-print]").forEach((button) => {
    button.hidden = false;
    button.addEventListener("click", () => window.print());
  });
})();
