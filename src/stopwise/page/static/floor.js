// The floor: the set from above, each lamp a circle and a wedge of its beam, with its short name.
import { around, fitted, html, placed, signed, svg, widthOf } from "./draw.js";

const RADIUS = 17;
const TOLD = 21;
const TYPE = 14;

export function drawFloor(place, list, floor, { hasPlan = true, turned = {} } = {}) {
  const lamps = floor ? floor.lamps : [];
  place.toggleAttribute("hidden", !lamps.length);
  list.replaceChildren(...(lamps.length ? lamps.map((lamp) => row(lamp, turned[lamp.name])) : [html("li", { class: "quiet" }, hasPlan ? "The plan has no lamps." : "No plan: start the watch with --plan.")]));
  list.classList.toggle("many", lamps.filter((lamp) => lamp.is_called).length > 1);
  if (!lamps.length) return;
  const size = fitted(place, [260, 200]); // as large as it stands on the screen
  const [half, paperY] = floor.paper;
  const to = scaled([...lamps.map((lamp) => lamp.at), floor.camera, [-half, paperY], floor.paper], size);
  place.replaceChildren(
    ...paper(to([-half, paperY]), to(floor.paper)),
    ...lamps.map((lamp) => beam(to(lamp.at), to(lamp.aim), lamp.beam, to(floor.paper)[1])),
    ...floor.panels.map(({ kind, at }) => panel(kind, to(at))),
    sitter(to([0, 0])),
    camera(to(floor.camera)),
    ...lamps.map((lamp) => circle(lamp, to(lamp.at))),
    ...instructions(floor, to, size),
  );
}

// Metres to units of the drawing, all spots inside with room for what stands round them.
function scaled(spots, [width, height]) {
  const [xs, ys] = [spots.map(([x]) => x), spots.map(([, y]) => y)];
  const span = (values) => Math.max(...values) - Math.min(...values);
  const middle = (values) => (Math.max(...values) + Math.min(...values)) / 2;
  const scale = Math.min((width - 60) / Math.max(span(xs), 0.5), (height - 50) / Math.max(span(ys), 0.5));
  return ([x, y]) => [width / 2 + (x - middle(xs)) * scale, height / 2 + (y - middle(ys)) * scale];
}

const paper = ([left, y], [right]) => [
  svg("path", { d: `M${left} ${y}H${right}`, class: "paper" }),
  svg("text", { x: left - 7, y: y + 4, class: "small quiet", "text-anchor": "end" }, "paper"),
];

// A beam ends at what it is aimed at, and at the paper.
function beam([x, y], [aimX, aimY], degrees, paperY) {
  const turn = Math.atan2(aimY - y, aimX - x);
  const reach = Math.hypot(aimX - x, aimY - y);
  const half = (degrees * Math.PI) / 360;
  const end = (angle) => {
    const up = reach * Math.sin(angle);
    const part = y + up < paperY && y > paperY ? (paperY - y) / up : 1;
    return `${x + part * reach * Math.cos(angle)} ${y + part * up}`;
  };
  return svg("path", { d: `M${x} ${y}L${end(turn - half)}L${end(turn + half)}Z`, class: "beam" });
}

// The name is set as large as its circle lets it.
function circle({ short, is_called: isCalled, is_placed: isPlaced }, [x, y]) {
  const size = Math.min(TYPE, (TYPE * (2 * RADIUS - 4)) / widthOf(short, TYPE, isCalled ? 700 : 400));
  const look = `lamp${isCalled ? " called" : ""}${isPlaced ? "" : " guessed"}`;
  const name = svg("text", { x, y: y + size / 3, "text-anchor": "middle" }, short);
  name.style.fontSize = `${size}px`;
  return svg("g", { class: look }, svg("circle", { cx: x, cy: y, r: RADIUS }), name);
}

// What to do stands at the lamp itself: "down 0.4", with where to in the list below. It stands
// where it covers no lamp, neither sitter nor camera, and no other instruction.
function instructions(floor, to, room) {
  const things = [...floor.lamps.map((lamp) => lamp.at), floor.camera, [0, 0]].map(to);
  const round = ([x, y], by) => [x - by, y - by, x + by, y + by];
  const taken = things.map((at) => round(at, RADIUS + 3));
  return floor.lamps.filter((lamp) => lamp.is_called).map((lamp) => {
    const size = [widthOf(lamp.told_there, TOLD, 700), TOLD];
    const [x, y] = placed(around(round(to(lamp.at), RADIUS), size, [6, 20, 36], false), size, taken, room, 2);
    return svg("text", { x, y: y + TOLD - 3, class: "told-there" }, lamp.told_there);
  });
}

const sitter = ([x, y]) => svg("g", { class: "sitter" }, svg("rect", { x: x - 17, y: y - 6, width: 34, height: 12, rx: 6 }), svg("circle", { cx: x, cy: y + 2, r: 8 }));
const camera = ([x, y]) => svg("g", { class: "camera" }, svg("rect", { x: x - 9, y: y - 5, width: 18, height: 12 }), svg("rect", { x: x - 4, y: y - 11, width: 8, height: 6 }));
const panel = (kind, [x, y]) => svg("g", { class: "panel" }, svg("path", { d: `M${x - 12} ${y}h24` }), svg("title", {}, kind));

// What was turned since stands beside what was told, never in it.
const row = (lamp, turned) =>
  html("li", { class: lamp.is_called ? "called" : "", "data-lamp": lamp.name }, html("span", { class: "name" }, lamp.name), html("span", { class: "said" }, parts(lamp.told)), turned ? html("span", { class: "since" }, `turned since: ${signed(turned)}`) : null);

// The words of an instruction, which breaks only where it has a comma.
function parts(told) {
  return told.split(", ").flatMap((part, place) => [
    ...(place ? [html("span", { class: "comma" }, ","), " "] : []),
    html("span", { class: `${place ? "tail" : ""}${part.length < 12 ? " whole" : ""}` }, part),
  ]);
}
