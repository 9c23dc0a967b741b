// A picture with marks to tap, points to set, and a slider between two layers. Places count in `size` pixels.
const KEPT = new WeakMap();
const SVG = "http://www.w3.org/2000/svg";
const INK = { low: "#0a3480", high: "#963e00" };
const LINE = { outline: "#ffffff", region: "#ffffff", leave: "#ffd08a", line: "#ffffff", contour: "#17191c", fold: "#ffd08a" };

function make(tag, cls, parent) {
  const node = document.createElement(tag);
  if (cls) node.className = cls;
  if (parent) parent.appendChild(node);
  return node;
}

function svg(tag, attributes, parent) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (parent) parent.appendChild(node);
  return node;
}

function build(root) {
  const frame = root.querySelector(".frame");
  frame.replaceChildren();
  const stage = make("div", "stage", frame);
  const base = make("img", "", stage), top = make("img", "", stage);
  const edge = make("div", "edge", stage);
  const over = svg("svg", { class: "over", preserveAspectRatio: "none", "aria-hidden": "true" }, stage);
  const points = make("div", "", stage), marks = make("div", "", stage), loupe = make("div", "loupe", stage);
  const length = make("div", "length", stage);
  make("span", "", length); make("i", "", length);
  const compare = make("div", "bar", frame), tools = make("div", "bar", frame);
  const kept = { frame, stage, base, top, edge, over, points, marks, loupe, length, compare, tools, share: 1, set: [], asked: "", marked: "" };
  const to = make("span", "", compare), slide = make("input", "", compare), from = make("span", "", compare);
  slide.type = "range"; slide.min = 0; slide.max = 100; slide.value = 100 * kept.share;
  slide.addEventListener("input", () => { kept.share = slide.value / 100; uncover(kept); });
  Object.assign(kept, { from, slide, to });
  const said = make("span", "said", tools);
  said.setAttribute("aria-live", "polite");
  const undo = make("button", "tool", tools), clear = make("button", "tool", tools), done = make("button", "tool main", tools);
  undo.textContent = "Undo last"; clear.textContent = "Start again"; done.textContent = "Done";
  Object.assign(kept, { said, undo, clear, done });
  stage.addEventListener("click", (event) => {
    if (event.target.closest(".mark, .handle")) return;
    if (kept.dragged) { kept.dragged = false; return; }
    const place = placeOf(kept, event);
    if (kept.data.draw !== null) add(kept, place);
    else if (kept.data.tappable) kept.tell("tap", [...place, Date.now()]);
  });
  // A line of two ends may be dragged in one go; the click that ends a drag sets nothing more.
  let start = null;
  stage.addEventListener("pointerdown", (event) => {
    if (kept.data.draw === 2 && !event.target.closest(".handle")) { start = placeOf(kept, event); }
  });
  stage.addEventListener("pointermove", (event) => {
    if (!start) return;
    const here = placeOf(kept, event);
    if (Math.hypot(here[0] - start[0], here[1] - start[1]) > kept.data.size[0] / 40) { kept.set = [start, here]; kept.dragged = true; lines(kept); }
  });
  const ended = () => { start = null; if (kept.dragged && kept.set.length === 2) finish(kept); };
  stage.addEventListener("pointerup", ended); stage.addEventListener("pointercancel", ended);
  undo.addEventListener("click", () => { kept.set.pop(); paint(kept); });
  clear.addEventListener("click", () => { kept.set = []; paint(kept); });
  done.addEventListener("click", () => finish(kept));
  return kept;
}

function placeOf(kept, event) {
  const box = kept.stage.getBoundingClientRect(), [w, h] = kept.data.size;
  const x = ((event.clientX - box.left) / box.width) * w, y = ((event.clientY - box.top) / box.height) * h;
  return [Math.min(Math.max(x, 0), w - 1), Math.min(Math.max(y, 0), h - 1)];
}

function add(kept, place) {
  const most = kept.data.draw;
  if (most && kept.set.length >= most) return;
  kept.set.push(place);
  paint(kept);
  if (most === 2 && kept.set.length === 2) finish(kept);
}

function finish(kept) {
  kept.tell("drawn", kept.set.map(([x, y]) => [x, y]));
  if (kept.data.draw !== 4) kept.set = [];
  paint(kept);
}

function uncover(kept) {
  const right = 100 - 100 * kept.share;
  kept.top.style.clipPath = `inset(0 ${right}% 0 0)`;
  kept.edge.style.left = `${100 * kept.share}%`;
  kept.slide.setAttribute("aria-valuetext", `${Math.round(100 * kept.share)} % ${kept.data.names[1]}`);
}

function magnify(kept, [x, y]) {
  const box = kept.stage.getBoundingClientRect(), [w, h] = kept.data.size, zoom = 4, half = 65;
  const px = (x / w) * box.width, py = (y / h) * box.height, lens = kept.loupe;
  lens.style.display = "block";
  lens.style.backgroundImage = `url(${kept.data.base})`;
  lens.style.backgroundSize = `${box.width * zoom}px ${box.height * zoom}px`;
  lens.style.backgroundPosition = `${half - px * zoom}px ${half - py * zoom}px`;
  lens.style.left = `${px > box.width / 2 ? 8 : box.width - 144}px`;
  lens.style.top = `${py > box.height / 2 ? 8 : Math.max(box.height - 144, 8)}px`;
}

function handle(kept, k) {
  const node = make("button", "handle", kept.points), [w, h] = kept.data.size;
  node.type = "button";
  const put = () => {
    const [x, y] = kept.set[k];
    node.style.left = `${(100 * (x + 0.5)) / w}%`; node.style.top = `${(100 * (y + 0.5)) / h}%`;
    node.setAttribute("aria-label", `Point ${k + 1} at ${Math.round(x)}, ${Math.round(y)}; arrow keys move it`);
  };
  make("span", "", node).textContent = k + 1;
  node.addEventListener("pointerdown", (event) => {
    node.setPointerCapture(event.pointerId); magnify(kept, kept.set[k]); event.preventDefault(); node.focus();
  });
  node.addEventListener("pointermove", (event) => {
    if (!node.hasPointerCapture(event.pointerId)) return;
    kept.set[k] = placeOf(kept, event); put(); lines(kept); magnify(kept, kept.set[k]);
  });
  const end = () => { kept.loupe.style.display = "none"; };
  node.addEventListener("pointerup", end); node.addEventListener("pointercancel", end);
  node.addEventListener("keydown", (event) => {
    const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (!by) return;
    event.preventDefault();
    const step = event.shiftKey ? 10 : 1, [x, y] = kept.set[k];
    kept.set[k] = [Math.min(Math.max(x + step * by[0], 0), w - 1), Math.min(Math.max(y + step * by[1], 0), h - 1)];
    put(); lines(kept);
  });
  put();
}

function lines(kept) {
  const { data, over, set } = kept;
  over.setAttribute("viewBox", `0 0 ${data.size[0]} ${data.size[1]}`);
  over.replaceChildren();
  const drawn = data.draw === null ? [] : [{ points: set, kind: data.draw === 2 ? "line" : "region" }];
  for (const shape of [...data.shapes, ...drawn]) {
    const text = shape.points.map(([x, y]) => `${x + 0.5},${y + 0.5}`).join(" ");
    const closed = shape.kind !== "line" && shape.kind !== "contour" && shape.points.length > 2;
    const strokes = shape.kind === "contour" ? [["#ffffff", 2.2], [LINE.contour, 1]] : [["#17191c", 5], [LINE[shape.kind], 2.5]];
    for (const [colour, wide] of strokes)
      svg(closed ? "polygon" : "polyline", {
        points: text, fill: shape.kind === "leave" && wide < 5 ? "rgba(23,25,28,.45)" : "none", stroke: colour, "stroke-width": wide,
        "vector-effect": "non-scaling-stroke", "stroke-dasharray": shape.kind === "outline" || shape.kind === "fold" ? "8 6" : "none",
      }, over);
  }
  const bar = data.lengthBar;
  kept.length.style.display = bar ? "block" : "none";
  if (bar) {
    kept.length.firstChild.textContent = bar.label;
    kept.length.lastChild.style.width = `${(bar.px / data.size[0]) * kept.stage.clientWidth}px`;
  }
}

function paint(kept) {
  const { data, set } = kept, drawing = data.draw !== null;
  lines(kept);
  kept.points.replaceChildren();
  if (drawing) set.forEach((_, k) => handle(kept, k));
  kept.tools.style.display = drawing ? "flex" : "none";
  if (!drawing) return;
  const needed = data.draw || 3;
  kept.said.textContent = `${data.drawLabel} ${data.draw ? `${set.length} of ${data.draw} set.` : `${set.length} corners set.`}`;
  kept.undo.disabled = kept.clear.disabled = set.length === 0;
  kept.done.disabled = data.draw ? set.length !== data.draw : set.length < needed;
}

// A small fault as the overlay has it: a diamond round the place, dashed where it could not be named.
function diamond(drawn, mark, left) {
  const dash = mark.kind === "unsure" ? "4 3" : "none";
  for (const [colour, wide] of [["#fff", 4], ["#17191c", 2]])
    svg("polygon", { points: "0,-10 10,0 0,10 -10,0", fill: "none", stroke: colour, "stroke-width": wide, "stroke-dasharray": wide < 4 ? dash : "none" }, drawn);
  const text = svg("text", {
    x: left ? -13 : 13, y: -5, "text-anchor": left ? "end" : "start", "font-size": 13, "font-weight": 700, fill: "#17191c",
    stroke: "#fff", "stroke-width": 3, "paint-order": "stroke",
  }, drawn);
  text.textContent = mark.id;
}

function placeMarks(kept) {
  const { data } = kept, [w, h] = data.size;
  // A tap draws the marks anew: whoever came here by keys stays on the mark.
  const had = kept.marks.contains(kept.marks.getRootNode().activeElement) ? kept.marks.getRootNode().activeElement.dataset.spot : null;
  kept.marks.replaceChildren();
  for (const mark of data.marks) {
    const node = make("button", `mark${mark.chosen ? " chosen" : ""}`, kept.marks);
    node.type = "button"; node.dataset.spot = mark.id;
    node.setAttribute("aria-label", mark.title); node.title = mark.title;
    node.style.left = `${(100 * (mark.x + 0.5)) / w}%`; node.style.top = `${(100 * (mark.y + 0.5)) / h}%`;
    const ink = INK[mark.kind] || "#17191c", left = mark.x > 0.82 * w;
    const drawn = svg("svg", { viewBox: "-22 -22 44 44" }, node);
    svg("circle", { class: "halo", r: 19, fill: "none" }, drawn);
    node.addEventListener("click", () => kept.tell("spot", mark.id));
    if (mark.kind === "fault" || mark.kind === "unsure") { diamond(drawn, mark, left); continue; }
    svg("polygon", { points: mark.kind === "high" ? "0,-9 10,8 -10,8" : "0,9 10,-8 -10,-8", fill: ink, stroke: "#fff", "stroke-width": 2 }, drawn);
    const cx = left ? -24 : 24, cy = -14;
    svg("circle", { cx, cy, r: 12, fill: "#fff", stroke: ink, "stroke-width": 2.5, "stroke-dasharray": mark.kind === "high" ? "4 2.5" : "none" }, drawn);
    const text = svg("text", { x: cx, y: cy + 5, "text-anchor": "middle", "font-size": 14, "font-weight": 700, fill: "#17191c" }, drawn);
    text.textContent = mark.id;
  }
  if (had) kept.marks.querySelector(`[data-spot="${had}"]`)?.focus();
}

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  let kept = KEPT.get(parentElement);
  if (!kept || !kept.frame.isConnected) { kept = build(parentElement); KEPT.set(parentElement, kept); }
  kept.data = data;
  kept.tell = (name, value) => setTriggerValue(name, value);
  const asked = `${data.draw}|${data.base.length}|${data.base.slice(-40)}`;
  if (asked !== kept.asked) { kept.set = []; kept.asked = asked; }
  const [w, h] = data.size;
  kept.stage.style.aspectRatio = `${w} / ${h}`;
  kept.stage.className = `stage${data.draw !== null ? " drawing" : ""}${data.tappable ? " tappable" : ""}`;
  if (kept.base.src !== data.base) kept.base.src = data.base;
  kept.base.alt = data.alt;
  kept.top.alt = "";
  const two = Boolean(data.top);
  if (two && kept.top.src !== data.top) kept.top.src = data.top;
  kept.top.style.display = kept.edge.style.display = two ? "block" : "none";
  kept.compare.style.display = two ? "flex" : "none";
  [kept.from.textContent, kept.to.textContent] = data.names;
  kept.slide.setAttribute("aria-label", `Slide from ${data.names[1]} to ${data.names[0]}`);
  uncover(kept);
  const told = JSON.stringify([data.marks, data.size]);
  if (told !== kept.marked) { kept.marked = told; placeMarks(kept); }
  paint(kept);
}
