// The run: each patch and each lamp over the frames of the take, off its target or its solo in stops.
import { cut, mark, signed, svg } from "./draw.js";

const ROW = 44;
const LEFT = 140;
const RIGHT = 52;
let WIDTH = 900; // as wide as it stands on the screen, so that its type keeps its size
const MOST = 1.2;

export function drawRun(place, words, run, { number, take, run: point }) {
  const held = run.filter((frame) => frame.take === take);
  const frames = held.some((frame) => frame.number === number) ? held : [point];
  const rows = [...rowsOf(frames, "patches", (name) => name), ...rowsOf(frames, "lamps", (name) => `${name} lamp`)];
  WIDTH = Math.max(place.parentElement.clientWidth || 900, 320);
  const height = Math.max(rows.length * ROW + 26, 60);
  place.setAttribute("viewBox", `0 0 ${WIDTH} ${height}`);
  if (!rows.length) {
    words.textContent = "Nothing to follow yet.";
    return place.replaceChildren(svg("text", { x: 0, y: 30, class: "quiet" }, words.textContent));
  }
  const step = (WIDTH - LEFT - RIGHT) / Math.max(frames.length - 1, 1);
  const x = (index) => (frames.length === 1 ? (LEFT + WIDTH - RIGHT) / 2 : LEFT + index * step);
  place.replaceChildren(
    ...rows.flatMap((row, place) => line(row, place * ROW + ROW / 2, x)),
    ...numbers(frames, x, height, number),
  );
  words.textContent = rows.map(({ name, points }) => `${name}: ${said(points.at(-1))}`).join("; ");
}

function rowsOf(frames, kind, named) {
  const names = [...new Set(frames.flatMap((frame) => Object.keys(frame[kind])))];
  return names.map((name) => ({ name: named(name), points: frames.map((frame) => frame[kind][name]) }));
}

const isOut = (point) => point?.sign.state === "out";
const said = (point) => (isOut(point) ? "out" : point?.off == null ? "no target, or not seen" : signed(point.off));

// A patch without a target is drawn off its first figure; a lamp that was out at the foot of its row.
function offsets(points) {
  const first = points.map((point) => point?.zone).find((zone) => zone != null);
  return points.map((point) => (isOut(point) ? -MOST : (point?.off ?? (point?.zone == null ? null : point.zone - first))));
}

function line({ name, points: given }, middle, x) {
  const y = (off) => middle - (Math.max(-MOST, Math.min(MOST, off)) / MOST) * (ROW / 2 - 5);
  const limits = { low: null, high: null, ...given.at(-1) };
  const parts = [svg("text", { x: 0, y: middle + 5 }, cut(name, LEFT - 16), svg("title", {}, name))];
  if (limits.low !== null && limits.high !== null) {
    parts.push(svg("rect", { x: LEFT - 8, y: y(limits.high), width: WIDTH - LEFT - RIGHT + 16, height: Math.max(y(limits.low) - y(limits.high), 2), class: "allowed" }));
  }
  parts.push(svg("path", { d: `M${LEFT - 8} ${middle}H${WIDTH - RIGHT + 8}`, class: "hair" }));
  const offs = offsets(given);
  const seen = offs.map((off, index) => [x(index), off, given[index]]).filter(([, off]) => off !== null);
  parts.push(svg("path", { d: seen.map(([at, off], index) => `${index ? "L" : "M"}${at} ${y(off)}`).join(""), class: "run-line" }));
  parts.push(...seen.map(([at, off, point]) => mark(point.sign.shape, point.sign.role, { x: at, y: y(off), size: 11 })));
  const figure = isOut(given.at(-1)) ? "out" : offs.at(-1) === null ? "–" : signed(offs.at(-1));
  parts.push(svg("text", { x: WIDTH, y: middle + 5, class: "figure", "text-anchor": "end" }, figure));
  return parts;
}

function numbers(frames, x, height, number) {
  const every = Math.ceil((frames.length * 24) / Math.max(WIDTH - LEFT - RIGHT, 1));
  return frames.flatMap((frame, index) =>
    frame.number === number || (index % every === 0 && !frames.slice(index + 1 - every, index + every).some((near) => near.number === number))
      ? [svg("text", { x: x(index), y: height - 4, class: frame.number === number ? "small now" : "small quiet", "text-anchor": "middle" }, String(frame.number))]
      : [],
  );
}
