// Two frames side by side, their difference in stops as a table and as contours on the later one.
import { ask, field, select } from "./dialog.js";
import { html, signed, svg } from "./draw.js";
import { contours, levels } from "./picture.js";
import { DECODING_MS, read } from "./requests.js";

const WIDE = 560; // units of the drawing over the later picture

export function compare(run, number) {
  const found = run.findIndex((frame) => frame.number === number);
  const last = found > 0 ? found : run.length - 1;
  const names = new Map(run.map((frame) => [frame.number, `${frame.number}  ${frame.file}`]));
  const shown = html("div", { class: "two three", "aria-live": "polite" });
  const lists = [["before", run[last - 1]], ["after", run[last]]].map(([name, chosen]) => select(name, [...names.keys()], chosen.number, (one) => names.get(one)));
  // What was asked for last is what stands there: an answer for two other frames counts for nothing.
  const draw = async () => {
    const [before, after] = lists.map((list) => Number(list.value));
    shown.replaceChildren(html("p", { class: "quiet" }, `Comparing ${before} with ${after}.`));
    const found = await read(`/difference/${before}/${after}`, DECODING_MS);
    if (lists.some((list, place) => Number(list.value) !== [before, after][place])) return;
    const lacking = found === undefined ? "Cut off from the watch: they can't be compared now." : "These two can't be compared.";
    shown.replaceChildren(...(found ? sides(found) : [html("p", {}, lacking)]));
  };
  // A frame that the page doesn't hold is asked for, and then stands in the list like the others.
  const pick = (label, list) => {
    const other = html("input", { autocomplete: "off", placeholder: "number or name" });
    list.onchange = draw;
    other.onchange = async () => {
      const frame = await seek(other.value);
      other.setCustomValidity(frame ? "" : frame === undefined ? "Cut off from the watch." : "There is no such frame.");
      other.reportValidity();
      if (!frame) return;
      if (!names.has(frame.number)) lists.forEach((each) => each.prepend(html("option", { value: frame.number }, `${frame.number}  ${frame.file}`)));
      names.set(frame.number, frame.file);
      list.value = frame.number;
      await draw();
    };
    return html("div", { class: "pick" }, field(label, list), field("Or another", other));
  };
  draw();
  const parts = [html("div", { class: "picks" }, pick("Before", lists[0]), pick("After", lists[1])), shown];
  return ask({ head: "Compare two frames", fill: () => parts, yes: null, no: "Close", wide: true });
}

// Find a frame by its number or the name of its file; null where there is none, undefined cut off.
export const seek = (name) => read(`/find?name=${encodeURIComponent(name)}`);

function sides({ before, after, patches, contours: lines }) {
  const over = svg("svg", { class: "over", preserveAspectRatio: "none" });
  const later = html("img", { src: `/picture/${after}`, alt: `Frame ${after}` });
  later.onload = () => {
    const high = (WIDE * later.naturalHeight) / later.naturalWidth;
    over.setAttribute("viewBox", `0 0 ${WIDE} ${high}`);
    const to = ([x, y]) => [x * WIDE, y * high];
    over.replaceChildren(...contours(lines, to), ...levels(lines, to, signed));
  };
  const told = [...new Set(lines.map(({ level }) => level))].sort((a, b) => a - b);
  return [
    html("figure", {}, html("img", { src: `/picture/${before}`, alt: `Frame ${before}` }), html("figcaption", {}, `Before: ${before}`)),
    html("figure", {}, html("div", { class: "stacked" }, later, over), html("figcaption", {}, `After: ${after}. ${told.length ? `Lines at ${told.map(signed).join(", ")} stops` : "No part differs by 0.2 stop"}`)),
    html(
      "table",
      {},
      html("caption", { class: "unseen" }, "Difference in stops, after less before"),
      html("thead", {}, html("tr", {}, ...["Patch", "Before", "After", "Stops"].map((head) => html("th", { scope: "col" }, head)))),
      html("tbody", {}, ...patches.map((row) => html("tr", {}, html("th", { scope: "row" }, row.name), html("td", {}, zone(row.before)), html("td", {}, zone(row.after)), html("td", {}, row.figure)))),
    ),
  ];
}

const zone = (value) => (value === null ? "–" : value.toFixed(1));
