// Small helpers to build SVG and HTML without markup: text from outside stays text.
const SVG = "http://www.w3.org/2000/svg";

export function svg(name, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, name), attributes, children);
}

export function html(name, attributes = {}, ...children) {
  return filled(document.createElement(name), attributes, children);
}

function filled(element, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    const isState = key.startsWith("aria-"); // which is true or false, never empty or left out
    if (value === null || value === undefined || (value === false && !isState)) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else element.setAttribute(key, value === true && !isState ? "" : String(value));
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined).map((child) => (child instanceof Node ? child : isolated(String(child)))));
  return element;
}

// Words in a script that runs from the right keep to themselves, so that figures beside them stay in place.
const RIGHT_TO_LEFT = /[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc](?:[^A-Za-z0-9]*[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc])*/g;
export const isolated = (words) => words.replace(RIGHT_TO_LEFT, "\u2068$&\u2069");

export const by = (id) => document.getElementById(id);

// A difference in tenths of a stop with its sign.
export const signed = (stops) => (Math.abs(stops) < 0.05 ? "0.0" : `${stops > 0 ? "+" : "-"}${Math.abs(stops).toFixed(1)}`);

// Words whose per cent signs stay with their figures.
export const firm = (words) => words.replaceAll(" %", "\u00a0%");

const pen = document.createElement("canvas").getContext("2d");

// How wide words are in the page's own type, in units of a drawing.
export function widthOf(words, size = 14, weight = 400) {
  pen.font = `${weight} ${size}px ${getComputedStyle(document.body).fontFamily}`;
  return pen.measureText(words).width;
}

// Words that fit a room, their end left out where they don't.
export function cut(words, room, size = 14, weight = 400) {
  if (widthOf(words, size, weight) <= room) return words;
  let length = words.length - 1;
  while (length > 1 && widthOf(`${words.slice(0, length)}…`, size, weight) > room) length -= 1;
  return `${words.slice(0, length).trimEnd()}…`;
}

// Give a drawing as many units as it is wide and high on the screen, where type is of the page's
// own size; below the least it shrinks as a whole.
export function fitted(place, [leastWide, leastHigh]) {
  const type = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
  const [wide, high] = [place.clientWidth || leastWide, place.clientHeight || leastHigh];
  const scale = Math.min(type, wide / leastWide, high / leastHigh);
  const size = [wide / scale, high / scale];
  place.setAttribute("viewBox", `0 0 ${size[0]} ${size[1]}`);
  return size;
}

const SHAPES = {
  disc: () => [svg("circle", { r: 8, fill: "currentColor" })],
  ring: () => [svg("circle", { r: 7, fill: "none", stroke: "currentColor", "stroke-width": 2.6 })],
  diamond: () => [svg("path", { d: "M0-9.5 9.5 0 0 9.5-9.5 0Z", fill: "currentColor" })],
  square: () => [
    svg("rect", { x: -7, y: -7, width: 14, height: 14, fill: "none", stroke: "currentColor", "stroke-width": 2.6 }),
  ],
  cross: () => [svg("path", { d: "M-7-7 7 7M7-7-7 7", stroke: "currentColor", "stroke-width": 3, fill: "none" })],
  "half disc": () => [
    svg("circle", { r: 7, fill: "none", stroke: "currentColor", "stroke-width": 2.2 }),
    svg("path", { d: "M0-7A7 7 0 0 0 0 7Z", fill: "currentColor" }),
  ],
};

export function mark(shape, role, { x = 0, y = 0, size = 16 } = {}) {
  const scale = size / 20;
  return svg("g", { class: `role-${role}`, transform: `translate(${x} ${y}) scale(${scale})` }, SHAPES[shape]());
}

export function markIcon(shape, role) {
  return svg("svg", { class: "icon", viewBox: "-10 -10 20 20", "aria-hidden": "true" }, mark(shape, role, { size: 20 }));
}

// Labels near where they belong, none nearer than `gap`, all between low and high.
export function spread(wanted, gap, low, high) {
  const order = wanted.map((_, index) => index).sort((a, b) => wanted[a] - wanted[b]);
  const step = Math.min(gap, (high - low) / Math.max(order.length - 1, 1));
  const groups = [];
  order.forEach((index, place) => {
    let group = { total: wanted[index] - step * place, count: 1 };
    while (groups.length && groups.at(-1).total / groups.at(-1).count > group.total / group.count) {
      const above = groups.pop();
      group = { total: group.total + above.total, count: group.count + above.count };
    }
    groups.push(group);
  });
  const floors = groups.flatMap(({ total, count }) => Array(count).fill(total / count));
  const highest = high - step * (order.length - 1);
  const placed = [];
  order.forEach((index, place) => {
    placed[index] = Math.min(Math.max(floors[place], low), highest) + step * place;
  });
  return placed;
}

// The first of the places that are tried at which a label of a size stands in the room and meets
// nothing that is there, else the first one in the room; where it stands is then taken.
export function placed(tried, [wide, high], taken, [width, height], edge = 0) {
  const inside = ([x, y]) => [Math.max(edge, Math.min(x, width - wide - edge)), Math.max(edge, Math.min(y, height - high - edge))];
  const meets = ([x, y]) => taken.some(([x0, y0, x1, y1]) => x < x1 && x0 < x + wide && y < y1 && y0 < y + high);
  const within = tried.filter(([x, y]) => x >= 0 && y >= 0 && x + wide <= width && y + high <= height);
  const [x, y] = within.find((spot) => !meets(spot)) ?? tried.map(inside).find((spot) => !meets(spot)) ?? inside(within[0] ?? tried[0]);
  taken.push([x, y, x + wide, y + high]);
  return [x, y];
}

// Places for a label round a box, nearest first: beside, above, below, and at the corners.
export function around([x0, y0, x1, y1], [wide, high], away, hasCorners = true) {
  const [middle, centre] = [(y0 + y1 - high) / 2, (x0 + x1 - wide) / 2];
  return away.flatMap((gap) => {
    const [right, left, above, below] = [x1 + gap, x0 - gap - wide, y0 - gap - high, y1 + gap];
    const sides = [[right, middle], [left, middle], [centre, above], [centre, below]];
    return hasCorners ? [...sides, [right, above], [right, below], [left, above], [left, below]] : sides;
  });
}
