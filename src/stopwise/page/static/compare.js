// Two frames side by side, their difference in stops as a table and as contours on the later one.
import { ask } from "./dialog.js";
import { html, svg } from "./draw.js";
import { contours, levels } from "./picture.js";
import { signed } from "./run.js";

export async function compare(run, number) {
  if (run.length < 2) return "Two frames are needed to compare.";
  const last = run.findIndex((frame) => frame.number === number);
  const after = run[last > 0 ? last : run.length - 1].number;
  const before = run[Math.max((last > 0 ? last : run.length - 1) - 1, 0)].number;
  const shown = html("div", { class: "two three", "aria-live": "polite" });
  const option = (frame, chosen) => html("option", { value: frame.number, selected: frame.number === chosen }, `${frame.number}  ${frame.file}`);
  const select = (name, label, chosen) => {
    const list = html("select", { name, onchange: () => draw(shown) }, ...run.map((frame) => option(frame, chosen)));
    const other = html("input", { autocomplete: "off", placeholder: "number or name", onchange: () => pick(other, list) });
    return html("div", { class: "pick" }, html("label", {}, label, list), html("label", {}, "Or another", other));
  };
  // A frame that the page doesn't hold is asked for, and then stands in the list like the others.
  const pick = async (other, list) => {
    const found = await seek(other.value);
    other.setCustomValidity(found ? "" : "There is no such frame.");
    other.reportValidity();
    if (!found) return;
    if (![...list.options].some(({ value }) => Number(value) === found.number)) list.prepend(option(found));
    list.value = found.number;
    await draw(shown);
  };
  const picks = html("div", { class: "picks" }, select("before", "Before", before), select("after", "After", after));
  const draw = async (place) => {
    const [one, other] = [...picks.querySelectorAll("select")].map((pick) => Number(pick.value));
    const answer = await fetch(`/difference/${one}/${other}`);
    if (!answer.ok) place.replaceChildren(html("p", {}, "These two can't be compared."));
    else place.replaceChildren(...sides(one, other, await answer.json()));
  };
  await draw(shown);
  await ask({ head: "Compare two frames", body: [picks, shown], yes: null, no: "Close", wide: true });
  return "";
}

// Find a frame by its number or the name of its file; null where there is none.
export async function seek(name) {
  const answer = await fetch(`/find?name=${encodeURIComponent(name)}`).catch(() => null);
  return answer?.ok ? answer.json() : null;
}

function sides(before, after, { patches, contours: lines }) {
  const over = svg("svg", { class: "over", preserveAspectRatio: "none" });
  const later = html("img", { src: `/picture/${after}`, alt: `Frame ${after}` });
  later.onload = () => {
    const [wide, high] = [560, (560 * later.naturalHeight) / later.naturalWidth];
    over.setAttribute("viewBox", `0 0 ${wide} ${high}`);
    const to = ([x, y]) => [x * wide, y * high];
    over.replaceChildren(...contours(lines, to, "contour"), ...levels(lines, to, signed));
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
