// What is typed counts when the typing rests, not only after Enter or a tap elsewhere: a reload then loses none of it.
const REST_MS = 400;
let waiting = null;

function typed(event) {
  const field = event.target;
  if (!field.closest || !field.closest("[class*='st-key-typed']")) return;
  clearTimeout(waiting);
  waiting = setTimeout(() => {
    if (field.isConnected && !event.isComposing)
      field.dispatchEvent(new KeyboardEvent("keydown", { key: "Enter", bubbles: true }));
  }, REST_MS);
}

export default function () {
  if (window.surfscanTyped) document.removeEventListener("input", window.surfscanTyped);
  window.surfscanTyped = typed;
  document.addEventListener("input", typed);
}
