// The run: each patch over the frames of the take, off its wish in stops, a row a patch.
import { mark, svg } from "./draw.js";

const ROW = 44;
const LEFT = 140;
const RIGHT = 52;
let WIDTH = 900; // as wide as it stands on the screen, so that its type keeps its size
const MOST = 1.2;
const SHAPES = { fails: ["diamond", "fails"], holds: ["disc", "holds"], "on the line": ["half disc", "edge"], "not seen": ["ring", "unseen"] };

export function drawRun(place, words, run, number) {
  const take = run.at(-1)?.take;
  const frames = run.filter((frame) => frame.take === take);
  const names = [...new Set(frames.flatMap((frame) => Object.keys(frame.patches)))];
  WIDTH = Math.max(place.parentElement.clientWidth || 900, 320);
  const height = Math.max(names.length * ROW + 26, 60);
  place.setAttribute("viewBox", `0 0 ${WIDTH} ${height}`);
  if (!names.length) {
    place.replaceChildren(svg("text", { x: 0, y: 30, class: "quiet" }, "Nothing to follow yet."));
    words.textContent = "Nothing to follow yet.";
    return;
  }
  const step = (WIDTH - LEFT - RIGHT) / Math.max(frames.length - 1, 1);
  const x = (index) => (frames.length === 1 ? (LEFT + WIDTH - RIGHT) / 2 : LEFT + index * step);
  place.replaceChildren(
    ...names.flatMap((name, row) => line(name, frames, row * ROW + ROW / 2, x)),
    ...numbers(frames, x, height, number),
  );
  const last = frames.at(-1);
  words.textContent = names
    .map((name) => `${name}: ${said(last.patches[name])}`)
    .join("; ");
}

const said = (point) => (point && point.off !== null && point.off !== undefined ? signed(point.off) : "no wish, or not seen");
export const signed = (stops) => (Math.abs(stops) < 0.05 ? "0.0" : `${stops > 0 ? "+" : "-"}${Math.abs(stops).toFixed(1)}`);

function line(name, frames, middle, x) {
  const first = frames.map((frame) => frame.patches[name]?.zone).find((zone) => zone !== null && zone !== undefined);
  const offOf = (point) => (point ? point.off ?? (point.zone === null ? null : point.zone - first) : null);
  const y = (off) => middle - (Math.max(-MOST, Math.min(MOST, off)) / MOST) * (ROW / 2 - 5);
  const limits = frames.at(-1).patches[name];
  const parts = [svg("text", { x: 0, y: middle + 5 }, name.length > 17 ? `${name.slice(0, 16)}…` : name)];
  if (limits && limits.low !== null && limits.high !== null) {
    parts.push(svg("rect", { x: LEFT - 8, y: y(limits.high), width: WIDTH - LEFT - RIGHT + 16, height: Math.max(y(limits.low) - y(limits.high), 2), class: "band" }));
  }
  parts.push(svg("path", { d: `M${LEFT - 8} ${middle}H${WIDTH - RIGHT + 8}`, class: "hair" }));
  const points = frames.map((frame, index) => [x(index), offOf(frame.patches[name]), frame.patches[name]?.state]);
  const seen = points.filter(([, off]) => off !== null);
  parts.push(svg("path", { d: seen.map(([at, off], index) => `${index ? "L" : "M"}${at} ${y(off)}`).join(""), class: "run-line" }));
  for (const [at, off, state] of seen) {
    const [shape, role] = SHAPES[state] ?? ["disc", "rule"];
    parts.push(mark(shape, role, { x: at, y: y(off), size: 11 }));
  }
  const lastOff = points.at(-1)[1];
  parts.push(svg("text", { x: WIDTH, y: middle + 5, class: "figure", "text-anchor": "end" }, lastOff === null ? "–" : signed(lastOff)));
  return parts;
}

function numbers(frames, x, height, number) {
  const every = Math.ceil(frames.length / 12);
  return frames.flatMap((frame, index) =>
    index % every === 0 || frame.number === number
      ? [svg("text", { x: x(index), y: height - 4, class: frame.number === number ? "small now" : "small quiet", "text-anchor": "middle" }, String(frame.number))]
      : [],
  );
}
