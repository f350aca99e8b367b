// The picture and what is drawn over it: contours, outlines, dots, patches; each can be put away.
import { around, cut, mark, placed, svg, widthOf } from "./draw.js";
import { DECODING_MS, read } from "./requests.js";

const GRID = 10000;
export const AWAY = [8, 34, 64]; // of a label from its box

export class Picture {
  constructor({ frame, image, over, none }) {
    Object.assign(this, { frame, image, over, none });
    this.layers = { contours: true, blown: true, blocked: true, patches: true, names: false };
    this.size = [3, 2];
    this.view = null;
    this.overlay = null;
    new ResizeObserver(() => this.draw()).observe(frame);
  }

  async show(view) {
    const number = view.number;
    const isSame = this.view?.number === number;
    this.view = view;
    if (isSame) return this.draw();
    this.image.hidden = true; // no frame's picture stands with another's words
    this.none.hidden = false;
    this.none.textContent = `Picture of frame ${number} is coming.`;
    this.cover(null, this.size);
    const reading = read(`/overlay/${number}`, DECODING_MS);
    const next = await loaded(`/picture/${number}`);
    if (this.view.number !== number) return;
    this.none.hidden = Boolean(next);
    this.none.textContent = view.verdict === "unreadable" ? "No picture: the file can't be read." : "No picture.";
    if (next) {
      Object.assign(next, { id: this.image.id, alt: `Frame ${number}, ${view.file}: ${view.verdict}` });
      next.dataset.number = number;
      this.image.replaceWith(next);
      this.image = next;
      this.cover(null, [next.naturalWidth, next.naturalHeight]);
    }
    const overlay = await reading;
    if (this.view.number === number) this.cover(overlay, this.size);
  }

  // The picture stands as soon as it is there; what is drawn over it follows.
  cover(overlay, size) {
    this.overlay = overlay;
    this.size = size;
    document.documentElement.style.setProperty("--ratio", size[0] / size[1]);
    document.documentElement.toggleAttribute("data-upright", size[0] < size[1]);
    this.draw();
  }

  toggle(layer) {
    this.layers[layer] = !this.layers[layer];
    this.draw();
    return this.layers[layer];
  }

  // The size that marks are drawn in: pixels, but on a large screen all of it grows.
  get box() {
    const [width, height] = [this.frame.clientWidth || 1, this.frame.clientHeight || 1];
    const scale = Math.min(Math.max(Math.max(width, height) / 850, 0.85), 2.6);
    return [width / scale, height / scale];
  }

  draw() {
    const size = this.box;
    this.over.setAttribute("viewBox", `0 0 ${size[0]} ${size[1]}`);
    const to = ([x, y]) => [x * size[0], y * size[1]];
    const [known, { contours: lines, dots: blocked, blown: outlines }] = [this.view?.patches ?? [], this.overlay ?? NOTHING];
    const taken = known.map(({ box }) => pixels(box, to));
    const parts = [];
    const isBare = this.isDrawing; // boxes are seen best on the picture itself
    if (this.layers.blocked && !isBare) parts.push(dots(blocked, to));
    if (this.layers.contours && !isBare) parts.push(...contours(lines, to));
    if (this.layers.blown && !isBare) parts.push(...blown(outlines, this.view?.areas, to, taken, size));
    if (this.layers.patches && !isBare) parts.push(...patches(known, to, taken, size, this.layers.names));
    if (this.layers.contours && !isBare && size[0] > 400) parts.push(...levels(lines, to, (level) => level.toFixed(1), taken));
    const focused = document.activeElement?.closest?.(".thing")?.dataset.id;
    this.over.replaceChildren(...parts.filter(Boolean));
    this.afterDraw?.(to, focused);
  }
}

const NOTHING = { contours: [], dots: [], blown: [] };

// A box in the units of the drawing.
export const pixels = ([x0, y0, x1, y1], to) => [...to([x0, y0]), ...to([x1, y1])];

// A path through points, which come as x and y in turn, in parts of the grid.
function pathOf(points, to, each = (place, at) => `${at ? "L" : "M"}${place}`) {
  let path = "";
  for (let at = 0; at < points.length; at += 2) {
    const [x, y] = to([points[at] / GRID, points[at + 1] / GRID]);
    path += each(`${x.toFixed(1)} ${y.toFixed(1)}`, at);
  }
  return path;
}

function loaded(address) {
  return new Promise((done) => {
    const next = new Image();
    next.onload = () => done(next);
    next.onerror = () => done(null);
    next.src = address;
  });
}

// A line over a picture has a dark rim, so that it is seen on light and dark alike.
const rimmed = (path, look) => [svg("path", { d: path, class: `${look} halo` }), svg("path", { d: path, class: look })];

export const contours = (lines, to) => rimmed(lines.map(({ points }) => pathOf(points, to)).join(""), "contour");

function dots(points, to) {
  const path = pathOf(points, to, (place) => `M${place}h0`);
  return path ? svg("path", { d: path, class: "dots" }) : null;
}

// The level of each of the longest lines, at its middle, where nothing else stands.
export function levels(lines, to, words, taken = []) {
  const longest = [...lines].sort((a, b) => b.points.length - a.points.length).slice(0, 12);
  const places = taken.map(([x0, y0, x1, y1]) => [x0 - 18, y0 - 11, x1 + 18, y1 + 11]);
  return longest.flatMap(({ level, points }) => {
    const at = 2 * Math.floor(points.length / 4);
    const [x, y] = to([points[at] / GRID, points[at + 1] / GRID]);
    if (places.some(([x0, y0, x1, y1]) => x > x0 && x < x1 && y > y0 && y < y1)) return [];
    places.push([x - 34, y - 18, x + 34, y + 18]);
    return [svg("g", { class: "contour-label", transform: `translate(${x} ${y})` }, svg("rect", { x: -16, y: -9, width: 32, height: 18, rx: 2 }), svg("text", { y: 5, "text-anchor": "middle" }, words(level)))];
  });
}

function blown(outlines, areas, to, taken, room) {
  return outlines.flatMap((lines, index) => {
    const parts = rimmed(lines.map((points) => `${pathOf(points, to)}Z`).join(""), "blown");
    const area = areas[index];
    if (!area) return parts;
    const spot = pixels(area.box, to);
    const [x, y] = placed(around(spot, [22, 22], AWAY), [22, 22], taken, room).map((side) => side + 11);
    const rim = [Math.min(Math.max(x, spot[0]), spot[2]), Math.min(Math.max(y, spot[1]), spot[3])];
    const tag = svg("g", { class: "tag", transform: `translate(${x} ${y})` }, svg("rect", { x: -11, y: -11, width: 22, height: 22 }), svg("text", { y: 6, "text-anchor": "middle" }, index + 1), svg("title", {}, `Blown area ${index + 1}: ${area.share}`));
    return [...parts, svg("path", { d: `M${rim[0]} ${rim[1]}L${x} ${y}`, class: "blown" }), tag];
  });
}

export function corners([x0, y0, x1, y1], look) {
  const arm = Math.min(10, (x1 - x0) / 3, (y1 - y0) / 3);
  const ends = [[x0, y0, 1, 1], [x1, y0, -1, 1], [x0, y1, 1, -1], [x1, y1, -1, -1]];
  return rimmed(ends.map(([x, y, across, down]) => `M${x + across * arm} ${y}H${x}V${y + down * arm}`).join(""), look);
}

// What doesn't hold is named, the rest on demand; each is bracketed.
function patches(known, to, taken, room, hasAllNames) {
  const order = [...known].sort((one, other) => isNamed(other) - isNamed(one));
  return order.flatMap((patch) => {
    const box = pixels(patch.box, to);
    const bracket = corners([box[0] - 3, box[1] - 3, box[2] + 3, box[3] + 3], "corner");
    if (!isNamed(patch) && !hasAllNames) return bracket;
    const { shape, role } = patch.sign;
    const words = cut(room[0] > 480 ? `${patch.name}  ${patch.figure}` : patch.name, room[0] - 40); // the ruler has the figures
    const [wide, high] = [widthOf(words) + (shape ? 33 : 14), 24];
    const [left, top] = placed(around(box, [wide, high], AWAY), [wide, high], taken, room);
    return [
      ...bracket,
      svg(
        "g",
        { class: "patch-label", transform: `translate(${left} ${top})` },
        svg("rect", { width: wide, height: high, rx: 2 }),
        shape ? mark(shape, role, { x: 13, y: 12, size: 13 }) : null,
        svg("text", { x: shape ? 25 : 7, y: 17 }, words),
      ),
    ];
  });
}

const isNamed = ({ sign }) => sign.state !== null && sign.state !== "holds";
