// A button that acts after it was held for a second, by touch, mouse or key. A programmatic click asks instead.
const HOLD_MS = 1000;
let held = null; // { key, timer, button }
let released_ms = 0;

export function holdButton(words, attributes, act, sure, tooShort) {
  const button = document.createElement("button");
  for (const [name, value] of Object.entries({ type: "button", class: "hold", ...attributes })) if (value !== false) button.setAttribute(name, value === true ? "" : value);
  button.append(words, " ", Object.assign(document.createElement("small"), { textContent: "hold 1 s" }));
  button.onclick = async () => { if (Date.now() - released_ms > 300 && !held && await sure()) act(); };
  button.hold = { act, tooShort };
  return button;
}

// One listener for all: the elements are kept while their handlers change.
function begin(event) {
  const button = event.target.closest?.("button.hold");
  if (!button || button.disabled || held || event.button > 0) return;
  if (event.type === "keydown") {
    if (![" ", "Enter"].includes(event.key)) return;
    event.preventDefault();
    if (event.repeat) return;
  }
  button.dataset.held = "yes";
  held = { button, timer: setTimeout(() => { navigator.vibrate?.(60); const { act } = button.hold; end(); act(); }, HOLD_MS) };
}

function end(event) {
  if (!held) return;
  clearTimeout(held.timer);
  delete held.button.dataset.held;
  released_ms = Date.now();
  if (event) held.button.hold.tooShort();
  held = null;
}

addEventListener("pointerdown", begin);
addEventListener("keydown", begin);
for (const kind of ["pointerup", "pointercancel", "keyup", "blur"]) addEventListener(kind, end);
addEventListener("contextmenu", (event) => { if (event.target.closest?.("button.hold")) event.preventDefault(); });
