// The stop ruler: shares lie along it, each value stands off the bracket of its target.
import { cut, fitted, mark, spread, svg, widthOf } from "./draw.js";

let [WIDTH, HEIGHT, FOOT] = [430, 560, 552]; // as large as it stands on the screen, so that its type keeps its size
const TOP = 34;
const AXIS = 78;
const LOWEST = -0.5;
const LABELS = 172;
const ROW = 26;

// Draw it; what doesn't hold is named first, what holds as far as there is room, or all on demand.
export function drawRuler(place, words, ruler, hasAllNames) {
  [WIDTH, HEIGHT] = fitted(place, [340, 400]);
  FOOT = HEIGHT - 8;
  if (!ruler || !ruler.shares.length) {
    place.replaceChildren(svg("text", { x: 0, y: 24, class: "quiet" }, "Zones not seen."));
    words.textContent = "Zones not seen.";
    return;
  }
  const y = (zone) => FOOT - ((zone - LOWEST) / (ruler.clip - LOWEST)) * (FOOT - TOP);
  const [named, rest] = chosen(ruler.readings, hasAllNames);
  const lanes = Math.max(...named.map(({ reading }) => reading.lane + 1), 1);
  const lane = Math.max(Math.min(34, (WIDTH - LABELS - AXIS - 56) / lanes), 12);
  place.replaceChildren(...scale(ruler, y), ...shares(ruler, y), ...readings(named, y, lane, rest ? TOP + 34 : TOP + 14), ...count(rest));
  words.textContent = ruler.readings
    .map(({ name, figure, sign }) => `${name} ${figure}${sign.state ? `, ${sign.state}` : ""}`)
    .join("; ");
}

const isOpen = ({ sign }) => sign.state !== null && sign.state !== "holds";

// The readings that are named, and how many aren't.
function chosen(readings, hasAllNames) {
  const most = Math.floor((FOOT - TOP - 40) / ROW);
  const open = readings.filter(isOpen);
  const rest = readings.filter((one) => !isOpen(one));
  const named = hasAllNames ? [...open, ...rest] : [...open, ...(readings.length <= most ? rest : [])].slice(0, most);
  return [relaned(named), readings.length - named.length];
}

// The lanes that are left, side by side.
function relaned(named) {
  const lanes = [...new Set(named.map(({ reading }) => reading.lane))].sort((one, other) => one - other);
  return named.map((one) => ({ ...one, reading: { ...one.reading, lane: lanes.indexOf(one.reading.lane) } }));
}

const count = (rest) => (rest ? [svg("text", { x: WIDTH, y: TOP + 18, class: "small quiet", "text-anchor": "end" }, `and ${rest} more`)] : []);

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
    svg("text", { x: WIDTH, y: TOP - 9, class: "small quiet", "text-anchor": "end" }, `clips at zone ${ruler.clip.toFixed(2)}`),
    ruler.clipped ? svg("text", { x: 0, y: TOP - 9, class: "small" }, `${ruler.clipped} clipped`) : null,
  ].filter(Boolean);
}

function shares(ruler, y) {
  const longest = Math.max(...ruler.shares.map(({ bar }) => bar.fraction), 1e-6);
  return ruler.shares
    .filter(({ bar }) => bar.fraction >= 0.002)
    .flatMap(({ bar: { low, high, fraction }, words }) => {
      const length = (fraction / longest) * (AXIS - 50);
      const top = y(high) + 1.5;
      const bottom = y(low) - 1.5;
      return [
        svg("rect", { x: AXIS - 5 - length, y: top, width: length, height: Math.max(bottom - top, 0), class: "share" }),
        svg("text", { x: AXIS - 11 - length, y: (top + bottom) / 2 + 5, class: "small quiet", "text-anchor": "end" }, words),
      ];
    });
}

function readings(named, y, lane, highest) {
  const heights = named.map(({ reading }) => y(reading.value ?? reading.target ?? LOWEST));
  const labels = spread(heights, ROW, highest, FOOT - 6);
  return named.flatMap((one, index) => [
    ...bracket(one.reading, y, lane),
    ...value(one, y, lane, heights[index]),
    ...label(one, lane, heights[index], labels[index]),
  ]);
}

const laneAt = (reading, lane) => AXIS + 36 + reading.lane * lane;

function bracket(reading, y, lane) {
  if (reading.target === null || reading.low === null || reading.high === null) return [];
  const x = laneAt(reading, lane);
  return [
    svg("path", { d: `M${x + 6} ${y(reading.high)}H${x}V${y(reading.low)}h6`, class: "target" }),
    svg("path", { d: `M${x - 4} ${y(reading.target)}h4`, class: "target" }),
  ];
}

function value({ reading, sign }, y, lane, height) {
  if (reading.value === null) return [];
  const x = laneAt(reading, lane) + 5;
  const width = Math.max(lane - 12, 4);
  const parts = [svg("rect", { x, y: height - 4, width, height: 8, class: `value role-${sign.role}` })];
  if (reading.low !== null && (reading.value > reading.high || reading.value < reading.low)) {
    const end = reading.value > reading.high ? reading.high : reading.low;
    parts.push(svg("path", { d: `M${x - 5} ${y(end)}V${height}h5`, class: "stem" }));
  }
  if (reading.uncertainty) {
    const middle = x + width / 2;
    parts.push(svg("path", { d: `M${middle} ${y(reading.value - reading.uncertainty)}V${y(reading.value + reading.uncertainty)}`, class: "doubt" }));
  }
  return parts;
}

function label({ name, reading, figure, sign }, lane, height, at) {
  const start = WIDTH - LABELS;
  const from = laneAt(reading, lane) + lane - 5;
  return [
    svg("path", { d: `M${from} ${height}H${Math.max(start - 14, from)}L${start - 4} ${at}`, class: "leader" }),
    sign.shape ? mark(sign.shape, sign.role, { x: start + 6, y: at, size: 14 }) : null,
    svg("text", { x: start + 20, y: at + 5 }, cut(name, LABELS - 30 - widthOf(figure, 14, 700)), svg("title", {}, name)),
    svg("text", { x: WIDTH, y: at + 5, class: "figure", "text-anchor": "end" }, figure),
  ].filter(Boolean);
}
