// One frame, as surfscan/screen/pattern.py has it. Written for old sets: nothing younger than ECMAScript 5.
function encode(c) {
  c = Math.min(Math.max(c, 0), 1);
  return Math.floor(255 * (c <= 0.0031308 ? 12.92 * c : 1.055 * Math.pow(c, 1 / 2.4) - 0.055) + 0.5);
}
function lit(turn) {
  var part = turn - Math.floor(turn);
  return 0.5 * Math.floor(turn) + Math.min(part, 0.25) + Math.max(part - 0.75, 0);
}
function lightOf(frame, count, mm) {
  var out = [], share = mm / frame.period_mm, k;
  for (k = 0; k < count; k++)
    out.push(frame.pattern === "stepped"
      ? 0.5 + 0.5 * Math.cos(2 * Math.PI * (k + 0.5) * mm / frame.period_mm + frame.phase_deg * Math.PI / 180)
      : (lit((k + 1) * share) - lit(k * share)) / share);
  return out;
}
function paint(canvas, frame, mm, dotShare) {
  var w = canvas.width, h = canvas.height, context = canvas.getContext("2d");
  var picture = context.createImageData(w, h), words = new Uint32Array(picture.data.buffer);
  var grey = function (v) { return (0xff000000 | v << 16 | v << 8 | v) >>> 0; };
  var lines = {}, i, j, row, up, da, db, p, off;
  if (frame.pattern === "dots") {
    p = frame.period_mm; da = [];
    off = function (v) { return v - p * Math.floor(v / p + 0.5); };
    for (i = 0; i < w; i++) da.push(off((i + 0.5 - w / 2) * mm));
    for (j = 0; j < h; j++) {
      db = off((h / 2 - j - 0.5) * mm);
      for (i = 0; i < w; i++)
        words[j * w + i] = grey(encode((dotShare * p - Math.sqrt(da[i] * da[i] + db * db)) / mm + 0.5));
    }
  } else {
    row = frame.varies === "up" ? null : lightOf(frame, w, mm);
    up = frame.varies === "across" ? null : lightOf(frame, h, mm);
    for (j = 0; j < h; j++) {
      db = up ? up[h - 1 - j] : 0;
      if (!lines[db]) {  // few lines differ, and a line costs as much as a picture copies
        lines[db] = new Uint32Array(w);
        p = row ? 0 : grey(encode(db));
        for (i = 0; i < w; i++) lines[db][i] = row ? grey(encode(up ? (row[i] + db) / 2 : row[i])) : p;
      }
      words.set(lines[db], j * w);
    }
  }
  context.putImageData(picture, 0, 0);
}
