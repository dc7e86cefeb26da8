// Drawing: pictures on their place on the sky, and curves.

const SVG = "http://www.w3.org/2000/svg";

export function element(name, attributes = {}, ...inside) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...inside.filter((part) => part !== null && part !== undefined));
  return made;
}

// Makes the canvas as fine as the screen; returns its side in device pixels.
function fitted(canvas) {
  const side = Math.max(1, Math.round(canvas.clientWidth * Math.min(window.devicePixelRatio || 1, 2)));
  if (canvas.width !== side || canvas.height !== side) canvas.width = canvas.height = side;
  return side;
}

// North up, east to the left. `place` is the linear map of the server: east and north grow by a and c along columns, by b
// and d along rows, which count from the bottom there and from the top in a canvas.
function lay(context, side, picture, field, middle) {
  const scale = side / field;
  const [a, b, c, d, east, north] = picture.place;
  const { rows, columns } = picture;
  const x0 = side / 2 - scale * (east - middle[0]) + (scale * (a * columns - b * rows)) / 2;
  const y0 = side / 2 - scale * (north - middle[1]) + (scale * (c * columns - d * rows)) / 2;
  context.setTransform(-scale * a, -scale * c, scale * b, scale * d, x0, y0);
  // square pixels are shown as such, unless there are more of them than the screen has
  context.imageSmoothingEnabled = picture.smooth || scale * Math.hypot(a, c) < 1;
  context.imageSmoothingQuality = "high";
  context.drawImage(picture.canvas, 0, 0);
  context.setTransform(1, 0, 0, 1, 0, 0);
}

// Draws one picture, or two with a divider: `sides` holds {picture, middle}.
export function paint(canvas, sides, field, split = 100, marks = true) {
  const side = fitted(canvas);
  const context = canvas.getContext("2d");
  context.fillStyle = "#000";
  context.fillRect(0, 0, side, side);
  const cut = sides.length > 1 ? (side * split) / 100 : side;
  sides.forEach(({ picture, middle }, index) => {
    context.save();
    context.beginPath();
    context.rect(index ? cut : 0, 0, index ? side - cut : cut, side);
    context.clip();
    lay(context, side, picture, field, middle);
    context.restore();
  });
  if (sides.length > 1) {
    context.fillStyle = "#fff";
    context.fillRect(cut - 1, 0, 2, side);
  }
  if (marks) scaleMarks(context, side, field);
}

function scaleMarks(context, side, field) {
  const unit = side / 480;
  const round = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000].filter((size) => size <= field / 4).pop() ?? 0.1;
  const length = (round / field) * side;
  context.strokeStyle = context.fillStyle = "#e8e8e8";
  context.lineWidth = Math.max(1, 1.5 * unit);
  context.font = `${Math.max(11, 13 * unit)}px system-ui, sans-serif`;
  const x = 16 * unit, y = side - 16 * unit;
  context.beginPath();
  context.moveTo(x, y - 5 * unit);
  context.lineTo(x, y);
  context.lineTo(x + length, y);
  context.lineTo(x + length, y - 5 * unit);
  context.stroke();
  context.fillText(`${round}″`, x + 4 * unit, y - 8 * unit);
  context.fillText("N up", side - 48 * unit, y);
}

export function plain(canvas, picture) {
  canvas.width = picture.columns;
  canvas.height = picture.rows;
  canvas.getContext("2d").drawImage(picture.canvas, 0, 0);
}

function svg(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// A curve over instants: {times, values, dark: [bool], from: lowest, to: highest, ticks: [value], unit, label,
// marks: [{index, text}], span: [first, last], at: index, pick: function(index)}.
export function curve(options) {
  const { times, values, label, unit = "", marks = [], span, at, pick, dark } = options;
  const wide = 600, high = 150, left = 40, bottom = 22;
  const good = values.filter((value) => value !== null);
  const low = options.from ?? Math.min(...good), top = options.to ?? Math.max(...good, low + 1e-9);
  const x = (index) => left + ((wide - left - 6) * index) / Math.max(1, times.length - 1);
  const y = (value) => 8 + (high - bottom - 8) * (1 - (Math.max(low, Math.min(top, value)) - low) / (top - low));
  const root = svg("svg", { viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": label, class: "curve" });
  if (dark) {
    dark.forEach((is, index) => {
      if (is && index + 1 < dark.length)
        root.append(svg("rect", { x: x(index), y: 8, width: x(index + 1) - x(index) + 0.5, height: high - bottom - 8, class: "dark" }));
    });
  }
  if (span) root.append(svg("rect", { x: x(span[0]), y: 8, width: Math.max(2, x(span[1]) - x(span[0])), height: high - bottom - 8, class: "span" }));
  for (const tick of options.ticks ?? [low, top]) {
    root.append(svg("line", { x1: left, x2: wide - 6, y1: y(tick), y2: y(tick), class: "grid" }));
    root.append(svg("text", { x: left - 6, y: y(tick) + 4, "text-anchor": "end" }, `${Math.round(tick * 10) / 10}${unit}`));
  }
  let path = "", pen = "M";
  values.forEach((value, index) => {
    if (value === null || (options.from !== undefined && value < low)) pen = "M";
    else {
      path += `${pen}${x(index).toFixed(1)} ${y(value).toFixed(1)}`;
      pen = "L";
    }
  });
  root.append(svg("path", { d: path, class: "line" }));
  const many = Math.min(6, times.length);
  for (let k = 0; k < many; k++) {
    const index = Math.round((k * (times.length - 1)) / Math.max(1, many - 1));
    const anchor = k === 0 ? "start" : k === many - 1 ? "end" : "middle";
    root.append(svg("text", { x: x(index), y: high - 6, "text-anchor": anchor }, options.tickText(times[index])));
  }
  marks.forEach(({ index, text }) => {
    root.append(svg("circle", { cx: x(index), cy: y(values[index] ?? low), r: 5, class: "mark" }));
    if (text) root.append(svg("text", { x: x(index), y: Math.max(12, y(values[index] ?? low) - 9), "text-anchor": "middle" }, text));
  });
  const here = svg("line", { y1: 8, y2: high - bottom, class: "here" });
  root.append(here);
  root.moveTo = (index) => {
    here.setAttribute("x1", x(index));
    here.setAttribute("x2", x(index));
  };
  root.moveTo(at ?? -100);
  if (pick) {
    root.classList.add("pick");
    root.addEventListener("click", (event) => {
      const box = root.getBoundingClientRect();
      const place = ((event.clientX - box.left) / box.width) * wide;
      const index = Math.round(((place - left) / (wide - left - 6)) * (times.length - 1));
      pick(Math.max(0, Math.min(times.length - 1, index)));
    });
  }
  return root;
}

export const SHAPES = { clear: "●", doubtful: "◐", lost: "○" };

// A verdict by shape and by word.
export function verdict(word, short = false) {
  const shape = element("span", { class: `shape ${word}`, "aria-hidden": "true" }, SHAPES[word] ?? "–");
  return element("span", { class: "verdict" }, shape, short ? element("span", { class: "unseen" }, word) : ` ${word}`);
}
