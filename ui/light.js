// Pictures below each other in one, each of two halves that show the same place: a finger over the picture, or the slider, says which is shown.
const KEPT = new WeakMap();
const STEP_MS = 400;  // under three changes a second

function build(root) {
  const frame = root.querySelector(".frame");
  frame.replaceChildren();
  const make = (tag, cls, parent) => { const node = document.createElement(tag); node.className = cls; parent.appendChild(node); return node; };
  const stage = make("div", "stage", frame), picture = make("img", "roll", stage), bar = make("div", "bar", frame);
  const slide = make("input", "", bar), play = make("button", "tool", bar);
  const kept = { frame, stage, picture, slide, play, at: 0, way: 1, timer: null };
  slide.type = "range"; slide.min = 0; slide.setAttribute("aria-label", "Where the light is");
  slide.addEventListener("input", () => { stop(kept); go(kept, Number(slide.value)); });
  const follow = (event) => {
    if (event.pointerType === "mouse" && event.buttons === 0) return;
    const box = stage.getBoundingClientRect();
    stop(kept); go(kept, Math.round(2 * (event.clientY - box.top) / box.height % 1 * (kept.data.count - 1)));
  };
  stage.addEventListener("pointerdown", follow); stage.addEventListener("pointermove", follow);
  play.addEventListener("click", () => {
    if (kept.timer) { stop(kept); return; }
    play.textContent = "Stop";
    kept.timer = setInterval(() => {
      if (!frame.isConnected) { stop(kept); return; }
      if (kept.at + kept.way < 0 || kept.at + kept.way >= kept.data.count) kept.way = -kept.way;
      go(kept, kept.at + kept.way);
    }, STEP_MS);
  });
  return kept;
}

function stop(kept) { clearInterval(kept.timer); kept.timer = null; kept.play.textContent = "Move it slowly"; }

function go(kept, to) {
  kept.at = Math.min(Math.max(to, 0), kept.data.count - 1);
  kept.slide.value = kept.at;
  kept.picture.style.transform = `translateY(${-100 * kept.at / kept.data.count}%)`;
}

export default function (component) {
  const { data, parentElement } = component;
  let kept = KEPT.get(parentElement);
  if (!kept || !kept.frame.isConnected) { kept = build(parentElement); KEPT.set(parentElement, kept); kept.at = Math.floor(data.count / 2); }
  kept.data = data;
  kept.stage.style.aspectRatio = `${data.size[0]} / ${data.size[1]}`;
  if (kept.picture.src !== data.roll) kept.picture.src = data.roll;
  kept.picture.alt = data.alt;
  kept.slide.max = data.count - 1;
  if (!kept.timer) stop(kept);
  go(kept, kept.at);
}
