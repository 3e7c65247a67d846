// Small helps for forms; every form works without them.
(() => {
  "use strict";

  // After an error, the list of errors takes the focus so that it is read out.
  document.querySelector("[data-focus]")?.focus();

  document.querySelectorAll("form[data-confirm]").forEach((form) => {
    form.addEventListener("submit", (event) => {
      if (!window.confirm(form.dataset.confirm)) event.preventDefault();
    });
  });

  // Numbers or options: only the part that fits the role is shown.
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
  const isDecimalComma = (text) => /^\s*[+\-−]?\d+,\d+\s*$/.test(text) && !/^\s*[+\-−]?[1-9]\d{0,2},\d{3}\s*$/.test(text);
  // The base value of a variable is a number unless the variable is a choice.
  const holdsNumber = (field) =>
    field.inputMode === "decimal" || (field.id === "f-base" && document.getElementById("f-role")?.value !== "choice");
  document.addEventListener("change", (event) => {
    const field = event.target;
    if (field instanceof HTMLInputElement && holdsNumber(field) && isDecimalComma(field.value)) {
      field.value = field.value.replace(",", ".");
      field.dispatchEvent(new Event("input", { bubbles: true }));
    }
  });

  // Times of day are local: the browser knows by how much.
  document.querySelectorAll("[data-offset]").forEach((field) => {
    field.value = String(-new Date().getTimezoneOffset());
  });

  document.querySelectorAll("[data-print]").forEach((button) => {
    button.addEventListener("click", () => window.print());
  });
})();
