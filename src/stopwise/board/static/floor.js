// The floor: the set from above, each lamp a circle and a wedge of its beam, lettered.
import { html, svg } from "./draw.js";

const WIDTH = 360;
const HEIGHT = 320;

export function drawFloor(place, list, floor) {
  place.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  const lamps = floor ? floor.lamps : [];
  place.toggleAttribute("hidden", !lamps.length);
  list.replaceChildren(
    ...(lamps.length ? lamps.map(row) : [html("li", { class: "quiet" }, "The plan has no lamps.")]),
  );
  if (!lamps.length) return;
  const spots = [...lamps.map((lamp) => lamp.at), floor.camera, [-floor.paper[0], floor.paper[1]], floor.paper];
  const to = fitted(spots);
  place.replaceChildren(
    ...paper(floor, to),
    ...lamps.map((lamp) => beam(lamp, to)),
    ...floor.panels.map((panel) => board(panel, to)),
    sitter(to),
    camera(floor.camera, to),
    ...lamps.map((lamp) => circle(lamp, to)),
  );
}

function fitted(spots) {
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
    svg("text", { x: left, y: y - 8, class: "small quiet" }, "paper"),
  ];
}

function beam(lamp, to) {
  const [x, y] = to(lamp.at);
  const [aimX, aimY] = to(lamp.aim);
  const turn = Math.atan2(aimY - y, aimX - x);
  const reach = Math.hypot(aimX - x, aimY - y);
  const half = (lamp.beam * Math.PI) / 360;
  const end = (angle) => `${x + reach * Math.cos(angle)} ${y + reach * Math.sin(angle)}`;
  return svg("path", { d: `M${x} ${y}L${end(turn - half)}L${end(turn + half)}Z`, class: "beam" });
}

function circle(lamp, to) {
  const [x, y] = to(lamp.at);
  const look = `lamp${lamp.is_called ? " called" : ""}${lamp.is_placed ? "" : " guessed"}`;
  return svg(
    "g",
    { class: look },
    svg("circle", { cx: x, cy: y, r: 13 }),
    svg("text", { x, y: y + 5, "text-anchor": "middle" }, lamp.letter),
    lamp.is_called ? instruction(lamp.told, x, y) : null,
  );
}

// What to do stands at the lamp itself: "down 0.4", with where to in the list below.
function instruction(told, x, y) {
  const words = told.split(/[,:]/)[0];
  const half = words.length * 5.6;
  const at = Math.min(Math.max(x, half + 4), WIDTH - half - 4);
  return svg("text", { x: at, y: y > HEIGHT - 44 ? y - 20 : y + 33, class: "told-there", "text-anchor": "middle" }, words);
}

function sitter(to) {
  const [x, y] = to([0, 0]);
  return svg("g", { class: "sitter" }, svg("rect", { x: x - 17, y: y - 6, width: 34, height: 12, rx: 6 }), svg("circle", { cx: x, cy: y + 2, r: 8 }));
}

function camera(at, to) {
  const [x, y] = to(at);
  return svg("g", { class: "camera" }, svg("rect", { x: x - 9, y: y - 5, width: 18, height: 12 }), svg("rect", { x: x - 4, y: y - 11, width: 8, height: 6 }));
}

function board({ kind, at }, to) {
  const [x, y] = to(at);
  return svg("g", { class: "panel" }, svg("path", { d: `M${x - 12} ${y}h24` }), svg("title", {}, kind));
}

function row(lamp) {
  return html(
    "li",
    { class: lamp.is_called ? "called" : "" },
    html("b", { class: "letter" }, lamp.letter),
    html("span", { class: "name" }, lamp.name),
    html("span", { class: "said" }, ...lamp.told.split(/(?<=,) /).flatMap((part) => [html("span", { class: part.length < 12 ? "whole" : "" }, part), " "])),
  );
}
