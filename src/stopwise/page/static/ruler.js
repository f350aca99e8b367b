// The stop ruler: shares lie along it, each value stands off the bracket of its target.
import { cut, fitted, mark, spread, svg, widthOf } from "./draw.js";

let [WIDTH, HEIGHT, FOOT] = [430, 560, 552]; // as large as it stands on the screen, so that its type keeps its size
const TOP = 34;
const AXIS = 78;
const LOWEST = -0.5;
const LABELS = 164;
const ROW = 26;

export function drawRuler(place, words, ruler) {
  [WIDTH, HEIGHT] = fitted(place, [340, 400]);
  FOOT = HEIGHT - 8;
  if (!ruler || !ruler.shares.length) {
    place.replaceChildren(svg("text", { x: 0, y: 24, class: "quiet" }, "Zones not seen."));
    words.textContent = "Zones not seen.";
    return;
  }
  const y = (zone) => FOOT - ((zone - LOWEST) / (ruler.clip - LOWEST)) * (FOOT - TOP);
  const lane = Math.max(Math.min(34, (WIDTH - LABELS - AXIS - 56) / Math.max(ruler.lanes, 1)), 20);
  place.replaceChildren(
    ...scale(ruler, y),
    ...shares(ruler, y),
    ...readings(ruler, y, lane),
  );
  words.textContent = ruler.readings
    .map((one) => `${one.name} ${one.figure}${one.state ? `, ${one.state}` : ""}`)
    .join("; ");
}

function scale(ruler, y) {
  const ticks = ruler.zones
    .filter(({ zone }) => zone < ruler.clip - 0.2)
    .flatMap(({ zone, name }) => [
      svg("path", { d: `M${AXIS} ${y(zone)}h7`, class: "rule" }),
      svg("text", { x: AXIS + 12, y: y(zone) + 5, class: "small quiet" }, name),
    ]);
  return [
    svg("path", { d: `M${AXIS} ${FOOT}V${TOP}`, class: "rule" }),
    ...ticks,
    svg("path", { d: `M0 ${TOP}H${WIDTH}`, class: "clip" }),
    svg("text", { x: WIDTH, y: TOP - 9, class: "small quiet", "text-anchor": "end" }, `clip ${ruler.clip.toFixed(2)}`),
    ruler.clipped ? svg("text", { x: 0, y: TOP - 9, class: "small" }, `${ruler.clipped} clipped`) : null,
  ].filter(Boolean);
}

function shares(ruler, y) {
  const longest = Math.max(...ruler.shares.map(({ fraction }) => fraction), 1e-6);
  return ruler.shares
    .filter(({ fraction }) => fraction >= 0.002)
    .flatMap(({ low, high, fraction, words }) => {
      const length = (fraction / longest) * (AXIS - 50);
      const top = y(high) + 1.5;
      const bottom = y(low) - 1.5;
      return [
        svg("rect", { x: AXIS - 5 - length, y: top, width: length, height: Math.max(bottom - top, 0), class: "share" }),
        svg("text", { x: AXIS - 11 - length, y: (top + bottom) / 2 + 5, class: "small quiet", "text-anchor": "end" }, words),
      ];
    });
}

function readings(ruler, y, lane) {
  const heights = ruler.readings.map((one) => y(one.value ?? one.target ?? LOWEST));
  const labels = spread(heights, ROW, TOP + 14, FOOT - 6);
  return ruler.readings.flatMap((one, index) => [
    ...bracket(one, y, lane),
    ...value(one, y, lane, heights[index]),
    ...label(one, lane, heights[index], labels[index]),
  ]);
}

const laneAt = (one, lane) => AXIS + 36 + one.lane * lane;

function bracket(one, y, lane) {
  if (one.target === null || one.low === null || one.high === null) return [];
  const x = laneAt(one, lane);
  return [
    svg("path", { d: `M${x + 6} ${y(one.high)}H${x}V${y(one.low)}h6`, class: "target" }),
    svg("path", { d: `M${x - 4} ${y(one.target)}h4`, class: "target" }),
  ];
}

function value(one, y, lane, height) {
  if (one.value === null) return [];
  const x = laneAt(one, lane) + 5;
  const width = lane - 12;
  const parts = [svg("rect", { x, y: height - 4, width, height: 8, class: `value role-${one.role}` })];
  if (one.low !== null && (one.value > one.high || one.value < one.low)) {
    const end = one.value > one.high ? one.high : one.low;
    parts.push(svg("path", { d: `M${x - 5} ${y(end)}V${height}h5`, class: "stem" }));
  }
  if (one.uncertainty) {
    const middle = x + width / 2;
    parts.push(svg("path", { d: `M${middle} ${y(one.value - one.uncertainty)}V${y(one.value + one.uncertainty)}`, class: "doubt" }));
  }
  return parts;
}

function label(one, lane, height, at) {
  const start = WIDTH - LABELS;
  const from = laneAt(one, lane) + lane - 5;
  const name = cut(one.name, LABELS - 30 - widthOf(one.figure, 14, 700));
  return [
    svg("path", { d: `M${from} ${height}H${Math.max(start - 14, from)}L${start - 4} ${at}`, class: "leader" }),
    one.mark ? mark(one.mark, one.role, { x: start + 6, y: at, size: 14 }) : null,
    svg("text", { x: start + 20, y: at + 5 }, name, svg("title", {}, one.name)),
    svg("text", { x: WIDTH, y: at + 5, class: "figure", "text-anchor": "end" }, one.figure),
  ].filter(Boolean);
}
