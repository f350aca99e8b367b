// The picture and what is drawn over it: contours, outlines, dots, patches; each can be put away.
import { mark, svg, widthOf } from "./draw.js";

const GRID = 10000;

export class Picture {
  constructor({ frame, image, over, none }) {
    Object.assign(this, { frame, image, over, none });
    this.layers = { contours: true, blown: true, blocked: true, patches: true };
    this.size = [3, 2];
    this.view = null;
    this.overlay = null;
    new ResizeObserver(() => this.draw()).observe(frame);
  }

  async show(view) {
    this.view = view;
    const number = view.number;
    const reading = read(`/overlay/${number}`);
    const isThere = await this.load(`/picture/${number}`);
    if (this.view.number !== number) return;
    this.image.alt = `Frame ${number}, ${view.file}: ${view.verdict}`;
    this.image.hidden = !isThere;
    this.none.hidden = isThere;
    this.none.textContent = view.verdict === "unreadable" ? "No picture: the file can't be read." : "No picture.";
    this.cover(null, isThere ? [this.image.naturalWidth, this.image.naturalHeight] : this.size);
    const overlay = await reading;
    if (this.view.number === number) this.cover(overlay, this.size);
  }

  // The picture stands as soon as it is there; what is drawn over it follows.
  cover(overlay, size) {
    this.overlay = overlay;
    this.size = size;
    document.documentElement.style.setProperty("--ratio", size[0] / size[1]);
    this.draw();
  }

  // The picture before stays until the new one is there.
  load(address) {
    return new Promise((done) => {
      this.image.onload = () => done(true);
      this.image.onerror = () => done(false);
      this.image.src = address;
    });
  }

  toggle(layer) {
    this.layers[layer] = !this.layers[layer];
    this.draw();
    return this.layers[layer];
  }

  // The size that marks are drawn in: pixels, but on a large screen all of it grows.
  get box() {
    const [width, height] = [this.frame.clientWidth || 1, this.frame.clientHeight || 1];
    const scale = Math.min(Math.max(width / 850, 0.85), 2.6);
    return [width / scale, height / scale];
  }

  draw() {
    const [width, height] = this.box;
    this.over.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const to = ([x, y]) => [x * width, y * height];
    const parts = [];
    const known = this.view?.patches ?? [];
    const taken = known.map(({ box }) => [...to(box.slice(0, 2)), ...to(box.slice(2))]);
    if (this.overlay) {
      if (this.layers.blocked) parts.push(dots(this.overlay.dots, to));
      if (this.layers.contours) parts.push(...contours(this.overlay.contours, to, "contour"));
    }
    if (this.layers.blown && this.overlay) parts.push(...blown(this.overlay.blown, this.view.areas, to, taken, [width, height]));
    if (this.layers.patches && !this.isEditing) parts.push(...patches(known, to, taken, [width, height]));
    if (this.layers.contours && this.overlay && width > 400) parts.push(...levels(this.overlay.contours, to, (level) => level.toFixed(1), taken));
    const focused = document.activeElement?.closest?.(".thing")?.dataset.name;
    this.over.replaceChildren(...parts.filter(Boolean));
    this.afterDraw?.(to, focused);
  }
}

async function read(address) {
  const answer = await fetch(address).catch(() => null);
  return answer?.ok ? answer.json() : null;
}

const pathOf = (points, to) => {
  let path = "";
  for (let at = 0; at < points.length; at += 2) {
    const [x, y] = to([points[at] / GRID, points[at + 1] / GRID]);
    path += `${at ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`;
  }
  return path;
};

export function contours(lines, to, look) {
  const path = lines.map(({ points }) => pathOf(points, to)).join("");
  return [svg("path", { d: path, class: `${look} halo` }), svg("path", { d: path, class: look })];
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

function dots(points, to) {
  let path = "";
  for (let at = 0; at < points.length; at += 2) {
    const [x, y] = to([points[at] / GRID, points[at + 1] / GRID]);
    path += `M${x.toFixed(1)} ${y.toFixed(1)}h0`;
  }
  return path ? svg("path", { d: path, class: "dots" }) : null;
}

function blown(outlines, areas, to, taken, size) {
  return outlines.flatMap((lines, index) => {
    const path = lines.map((points) => `${pathOf(points, to)}Z`).join("");
    const parts = [svg("path", { d: path, class: "blown halo" }), svg("path", { d: path, class: "blown" })];
    const area = areas[index];
    if (!area) return parts;
    const spot = [...to(area.box.slice(0, 2)), ...to(area.box.slice(2))];
    const [left, top] = free(spot, [22, 22], taken, size);
    taken.push([left, top, left + 22, top + 22]);
    const [x, y] = [left + 11, top + 11];
    const rim = [Math.min(Math.max(x, spot[0]), spot[2]), Math.min(Math.max(y, spot[1]), spot[3])];
    parts.push(
      svg("path", { d: `M${rim[0]} ${rim[1]}L${x} ${y}`, class: "blown" }),
      svg("g", { class: "tag", transform: `translate(${x} ${y})` }, svg("rect", { x: -11, y: -11, width: 22, height: 22 }), svg("text", { y: 6, "text-anchor": "middle" }, String(index + 1)), svg("title", {}, `Blown area ${index + 1}: ${area.share}`)),
    );
    return parts;
  });
}

export function corners([x0, y0, x1, y1], look) {
  const arm = Math.min(10, (x1 - x0) / 3, (y1 - y0) / 3);
  const path = [
    [x0, y0, 1, 1],
    [x1, y0, -1, 1],
    [x0, y1, 1, -1],
    [x1, y1, -1, -1],
  ]
    .map(([x, y, across, down]) => `M${x + across * arm} ${y}H${x}V${y + down * arm}`)
    .join("");
  return [svg("path", { d: path, class: `${look} halo` }), svg("path", { d: path, class: look })];
}

function patches(known, to, taken, [width, height]) {
  return known.flatMap((patch) => {
    const [x0, y0] = to(patch.box.slice(0, 2));
    const [x1, y1] = to(patch.box.slice(2));
    const words = width > 480 ? `${patch.name}  ${patch.figure}` : patch.name; // the ruler has the figures
    const size = [widthOf(words) + (patch.mark ? 33 : 14), 24];
    const [left, top] = free([x0, y0, x1, y1], size, taken, [width, height]);
    taken.push([left, top, left + size[0], top + size[1]]);
    return [
      ...corners([x0 - 3, y0 - 3, x1 + 3, y1 + 3], "corner"),
      svg(
        "g",
        { class: "patch-label", transform: `translate(${left} ${top})` },
        svg("rect", { width: size[0], height: size[1], rx: 2 }),
        patch.mark ? mark(patch.mark, patch.role, { x: 13, y: 12, size: 13 }) : null,
        svg("text", { x: patch.mark ? 25 : 7, y: 17 }, words),
      ),
    ];
  });
}

// Return where a label of a size stands free beside a box.
export function free([x0, y0, x1, y1], [wide, high], taken, [width, height]) {
  const middle = (y0 + y1 - high) / 2;
  const centre = (x0 + x1 - wide) / 2;
  const tried = [8, 34, 64].flatMap((away) => [
    [x1 + away, middle],
    [x0 - away - wide, middle],
    [centre, y0 - away - high],
    [centre, y1 + away],
    [x1 + away, y0 - away - high],
    [x1 + away, y1 + away],
    [x0 - away - wide, y0 - away - high],
    [x0 - away - wide, y1 + away],
  ]);
  const inside = tried.filter(([x, y]) => x >= 0 && y >= 0 && x + wide <= width && y + high <= height);
  const meets = ([x, y]) => taken.some(([a, b, c, d]) => x < c && a < x + wide && y < d && b < y + high);
  const [x, y] = inside.find((place) => !meets(place)) ?? inside[0] ?? tried[0];
  return [Math.max(0, Math.min(x, width - wide)), Math.max(0, Math.min(y, height - high))];
}
