// The floor: the set from above, each lamp a circle and a wedge of its beam, lettered.
import { fitted, html, svg, widthOf } from "./draw.js";

let [WIDTH, HEIGHT] = [360, 320]; // as large as it stands on the screen
const RADIUS = 13;
const TOLD = 21;

export function drawFloor(place, list, floor, hasPlan = true) {
  const lamps = floor ? floor.lamps : [];
  place.toggleAttribute("hidden", !lamps.length);
  list.replaceChildren(
    ...(lamps.length ? lamps.map(row) : [html("li", { class: "quiet" }, hasPlan ? "The plan has no lamps." : "No plan: start the watch with --plan.")]),
  );
  list.classList.toggle("many", lamps.filter((lamp) => lamp.is_called).length > 1);
  if (!lamps.length) return;
  [WIDTH, HEIGHT] = fitted(place, [260, 200]);
  const spots = [...lamps.map((lamp) => lamp.at), floor.camera, [-floor.paper[0], floor.paper[1]], floor.paper];
  const to = scaled(spots);
  place.replaceChildren(
    ...paper(floor, to),
    ...lamps.map((lamp) => beam(lamp, floor, to)),
    ...floor.panels.map((panel) => standing(panel, to)),
    sitter(to),
    camera(floor.camera, to),
    ...lamps.map((lamp) => circle(lamp, to)),
    ...instructions(floor, to),
  );
}

function scaled(spots) {
  const xs = spots.map(([x]) => x);
  const ys = spots.map(([, y]) => y);
  const wide = Math.max(...xs) - Math.min(...xs);
  const deep = Math.max(...ys) - Math.min(...ys);
  const scale = Math.min((WIDTH - 60) / Math.max(wide, 0.5), (HEIGHT - 50) / Math.max(deep, 0.5));
  const middle = [(Math.max(...xs) + Math.min(...xs)) / 2, (Math.max(...ys) + Math.min(...ys)) / 2];
  return ([x, y]) => [WIDTH / 2 + (x - middle[0]) * scale, HEIGHT / 2 + (y - middle[1]) * scale];
}

function paper(floor, to) {
  const [left, y] = to([-floor.paper[0], floor.paper[1]]);
  const [right] = to(floor.paper);
  return [
    svg("path", { d: `M${left} ${y}H${right}`, class: "paper" }),
    svg("text", { x: left - 7, y: y + 4, class: "small quiet", "text-anchor": "end" }, "paper"),
  ];
}

// A beam ends at what it is aimed at, and at the paper.
function beam(lamp, floor, to) {
  const [x, y] = to(lamp.at);
  const [aimX, aimY] = to(lamp.aim);
  const turn = Math.atan2(aimY - y, aimX - x);
  const reach = Math.hypot(aimX - x, aimY - y);
  const half = (lamp.beam * Math.PI) / 360;
  const [, paperY] = to(floor.paper);
  const end = (angle) => {
    const up = reach * Math.sin(angle);
    const part = y + up < paperY && y > paperY ? (paperY - y) / up : 1;
    return `${x + part * reach * Math.cos(angle)} ${y + part * up}`;
  };
  return svg("path", { d: `M${x} ${y}L${end(turn - half)}L${end(turn + half)}Z`, class: "beam" });
}

function circle(lamp, to) {
  const [x, y] = to(lamp.at);
  const look = `lamp${lamp.is_called ? " called" : ""}${lamp.is_placed ? "" : " guessed"}`;
  return svg("g", { class: look }, svg("circle", { cx: x, cy: y, r: RADIUS }), svg("text", { x, y: y + 5, "text-anchor": "middle" }, lamp.letter));
}

// What to do stands at the lamp itself: "down 0.4", with where to in the list below. It stands
// where it covers no lamp, neither sitter nor camera, and no other instruction.
function instructions(floor, to) {
  const things = [...floor.lamps.map((lamp) => lamp.at), floor.camera, [0, 0]].map(to);
  const taken = things.map(([x, y]) => [x - RADIUS - 3, y - RADIUS - 3, x + RADIUS + 3, y + RADIUS + 3]);
  return floor.lamps.filter((lamp) => lamp.is_called).map((lamp) => {
    const [x, y] = to(lamp.at);
    const words = lamp.told.split(/[,:]/)[0];
    const wide = widthOf(words, TOLD, 700);
    const [left, top] = freeSpot(x, y, wide, taken);
    taken.push([left, top, left + wide, top + TOLD]);
    return svg("text", { x: left, y: top + TOLD - 3, class: "told-there" }, words);
  });
}

function freeSpot(x, y, wide, taken) {
  const away = RADIUS + 6;
  const tried = [0, 14, 30].flatMap((more) => [
    [x - wide / 2, y + away + more],
    [x - wide / 2, y - away - TOLD - more],
    [x + away + more, y - TOLD / 2],
    [x - away - more - wide, y - TOLD / 2],
  ]);
  const inside = tried.map(([left, top]) => [Math.min(Math.max(left, 2), WIDTH - wide - 2), Math.min(Math.max(top, 2), HEIGHT - TOLD - 2)]);
  const meets = ([left, top]) => taken.some(([x0, y0, x1, y1]) => left < x1 && x0 < left + wide && top < y1 && y0 < top + TOLD);
  return inside.find((spot) => !meets(spot)) ?? inside[0];
}

function sitter(to) {
  const [x, y] = to([0, 0]);
  return svg("g", { class: "sitter" }, svg("rect", { x: x - 17, y: y - 6, width: 34, height: 12, rx: 6 }), svg("circle", { cx: x, cy: y + 2, r: 8 }));
}

function camera(at, to) {
  const [x, y] = to(at);
  return svg("g", { class: "camera" }, svg("rect", { x: x - 9, y: y - 5, width: 18, height: 12 }), svg("rect", { x: x - 4, y: y - 11, width: 8, height: 6 }));
}

function standing({ kind, at }, to) {
  const [x, y] = to(at);
  return svg("g", { class: "panel" }, svg("path", { d: `M${x - 12} ${y}h24` }), svg("title", {}, kind));
}

function row(lamp) {
  return html(
    "li",
    { class: lamp.is_called ? "called" : "" },
    html("b", { class: "letter" }, lamp.letter),
    html("span", { class: "name" }, lamp.name),
    html("span", { class: "said" }, ...parts(lamp.told)),
  );
}

// The words of an instruction, which breaks only where it has a comma.
function parts(told) {
  return told.split(", ").flatMap((part, place) => [
    ...(place ? [html("span", { class: "comma" }, ","), " "] : []),
    html("span", { class: `${place ? "tail" : ""}${part.length < 12 ? " whole" : ""}` }, part),
  ]);
}
