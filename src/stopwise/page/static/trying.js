// Light tried on the page: faders for what may be changed; the picture is added up here, every figure is the watch's.
import { ask } from "./dialog.js";
import { html, markIcon, svg } from "./draw.js";
import { deed, read, send } from "./requests.js";
import { drawRuler } from "./ruler.js";
import { Sum } from "./sum.js";

const AS_TRIED = 0.3; // a third of a stop, which most targets allow
const READING_MS = 120000; // solos that aren't kept are decoded first

const SMALL = 220; // pixels' width of the pictures of kept trials, at least

// Open it. `mayEdit` tells whether what was tried can be said to the watch; `tell` says what came of it.
// Returns the zones that were promised, by patch, where it was said; else null.
export async function tryLight(mayEdit, tell) {
  let trial = null;
  const doing = deed("/do/set");
  const found = await ask({
    head: "Try light",
    fill: async () => {
      const bytes = fetch("/trying/light").then((answer) => (answer.ok ? answer.arrayBuffer() : null)).catch(() => null);
      const set = await read("/trying", READING_MS);
      if (set === undefined) return null;
      const light = set && (await bytes);
      if (!light) return [html("p", { class: "fault", role: "alert", "data-idle": true }, await why())];
      trial = new Trial(set, new Uint16Array(light), mayEdit);
      return trial.parts;
    },
    done: () => (trial.isChanged ? doing({ trial: trial.said, name: trial.name.value }) : { isDone: false, say: "Nothing is changed yet." }),
    yes: mayEdit ? "Set these" : null,
    no: mayEdit ? "Leave it" : "Close",
    wide: true,
  });
  trial?.end();
  if (!found) return null;
  tell(found.say);
  return trial.promised;
}

// How a frame holds what was tried, in words: its readings against the zones that were promised.
export function asTried(promised, readings) {
  const off = readings.flatMap(({ name, reading: { value } }) => (value === null || !promised.has(name) ? [] : [[name, value - promised.get(name)]]));
  if (!off.length) return "Nothing that was tried is seen in this frame.";
  const [name, most] = off.reduce((worst, one) => (Math.abs(one[1]) > Math.abs(worst[1]) ? one : worst));
  const by = Math.max(Math.ceil(Math.abs(most) * 10 - 1e-6) / 10, 0.1).toFixed(1);
  return Math.abs(most) <= AS_TRIED ? `As tried, within ${by}.` : `Not as tried: ${name} ${by} ${most > 0 ? "over" : "under"} what was shown.`;
}

// Why there is nothing to try, in the watch's words.
async function why() {
  const answer = await fetch("/trying").catch(() => null);
  return answer && !answer.ok ? (await answer.json()).say : "The light can't be fetched now. Leave it, and press again.";
}

class Trial {
  constructor(set, levels, mayEdit) {
    this.set = set;
    this.held = new Set();
    this.last = "";
    this.asked = null; // the trial that waits for the one that is on its way
    this.isAsking = false;
    this.canvas = html("canvas", { role: "img", "aria-label": "The picture that this light would give" });
    this.sum = new Sum(set, levels, this.canvas);
    this.small = new Sum(set, levels, document.createElement("canvas"), Math.max(1, Math.floor(set.columns / SMALL)));
    this.faders = set.faders.map((fader) => new FaderRow(fader, () => this.moved(fader)));
    this.now = html("button", { type: "button", "aria-pressed": "false", "aria-keyshortcuts": "N" }, "As it stands");
    this.now.onclick = () => this.look(this.now.getAttribute("aria-pressed") !== "true");
    this.back = html("button", { type: "button" }, "Put all back");
    this.back.onclick = () => this.stand({ turns: {}, off: [], metres: {}, gels: {}, camera: {} });
    this.say = html("p", { class: "tried-say", role: "status" });
    this.asks = html("ol", { class: "tried-asked" });
    this.targets = html("table", {});
    this.told = html("ul", { class: "findings" });
    this.ruler = svg("svg", { role: "img", "aria-label": "Stop ruler" });
    this.rulerWords = html("p", { class: "unseen" });
    this.name = html("input", { value: `Light ${set.kept.length + 1}`, maxlength: 80, "aria-label": "Name of this trial" });
    this.keep = html("button", { type: "button" }, "Keep");
    this.keep.onclick = () => this.kept();
    this.shelf = html("div", { class: "shelf", role: "group", "aria-label": "Kept trials" });
    set.kept.forEach((one) => this.shelve(one));
    this.keys = (event) => this.pressed(event);
    document.addEventListener("keydown", this.keys);
    const [powers, others] = [true, false].map((isPower) => this.faders.filter(({ fader }) => (fader.sets === "turns") === isPower).map(({ row }) => row));
    const withheld = set.withheld.length ? html("ul", { class: "quiet" }, set.withheld.map((words) => html("li", {}, words))) : null;
    this.parts = [
      this.say,
      html(
        "div",
        { class: "trying" },
        html(
          "div",
          { class: "tried-left" },
          html("figure", { class: "tried-picture" }, this.canvas, html("figcaption", {}, this.now, this.back, html("span", { class: "quiet" }, set.doubts.length ? `Hatched: ${set.doubts.join("; ")}.` : "Added up from the solos."))),
          html("div", { class: "tried-faders" }, powers, html("details", {}, html("summary", {}, "Camera, distance, gels"), others, withheld), this.asks, this.shelf, mayEdit ? html("div", { class: "keeping" }, this.name, this.keep) : null),
        ),
        html("div", { class: "tried-right" }, html("div", { class: "tried-ruler" }, this.ruler, this.rulerWords), html("div", { class: "tried-targets" }, this.targets, this.told)),
      ),
    ];
    this.paint();
    this.ask("");
  }

  // What is tried, as the watch reads it.
  get said() {
    const said = { turns: {}, off: [], metres: {}, gels: {}, camera: {} };
    for (const { fader, value, isMoved } of this.faders) {
      if (!isMoved) continue;
      if (value === null) said.off.push(fader.of);
      else if (fader.of) said[fader.sets][fader.of] = value;
      else said.camera[fader.sets] = value;
    }
    return said;
  }

  get isChanged() {
    return this.faders.some(({ isMoved }) => isMoved);
  }

  // Stops by channel of each light that adds up; null where it is off.
  stops(valueOf = (row) => row.value) {
    return this.set.lights.map(({ lamp }) => {
      const own = this.faders.filter(({ fader }) => fader.lights.includes(lamp)).map((row) => row.stopsAt(valueOf(row)));
      return own.some((stops) => !stops.length) ? null : own.reduce((sum, stops) => sum.map((one, channel) => one + stops[channel]), Array(this.set.channels).fill(0));
    });
  }

  moved(fader) {
    const moved = this.faders.find((row) => row.fader === fader);
    if (moved.value !== null) {
      for (const row of this.faders) if (fader.sets === "turns" && row.fader.sets === "turns" && row !== moved && row.value !== null && fader.together.includes(row.fader.of)) row.stand(moved.value);
    }
    this.last = fader.sets === "turns" ? fader.of : "";
    this.look(false);
    this.ask(this.last);
  }

  // Stand as a trial says, all else as it is now.
  stand(trial) {
    for (const row of this.faders) row.stand(valueIn(trial, row.fader));
    this.look(false);
    this.ask("");
  }

  look(isNow) {
    this.now.setAttribute("aria-pressed", isNow);
    this.paint();
  }

  paint() {
    const isNow = this.now.getAttribute("aria-pressed") === "true";
    this.sum.paint(this.stops((row) => (isNow ? row.fader.places[row.fader.stands].value : row.value)));
  }

  async kept() {
    const trial = this.said;
    const name = this.name.value.trim();
    const answer = await send("/do/keep", { trial, name });
    if (!answer.isDone) return this.refuse(answer.say);
    this.set.kept = [...this.set.kept.filter((one) => one.name !== name), { name, trial }];
    this.shelf.querySelectorAll("button").forEach((one) => one.dataset.name === name && one.remove());
    this.shelve({ name, trial });
    this.press();
    this.say.textContent = answer.say;
    this.name.value = `Light ${this.set.kept.length + 1}`;
  }

  // A small picture of a kept trial, to be chosen.
  shelve({ name, trial }) {
    const picture = html("canvas", { width: this.small.columns, height: this.small.rows, "aria-hidden": true });
    this.small.paint(this.stops(({ fader }) => valueIn(trial, fader)));
    picture.getContext("2d").drawImage(this.small.canvas, 0, 0);
    const button = html("button", { type: "button", "data-name": name }, picture, html("span", {}, name));
    button.onclick = () => this.stand(trial);
    this.shelf.append(button);
  }

  // The kept trial that stands under the fingers is shown pressed.
  press() {
    for (const one of this.shelf.querySelectorAll("button")) one.setAttribute("aria-pressed", isSame(this.said, this.set.kept.find(({ name }) => name === one.dataset.name).trial));
  }

  pressed(event) {
    const isName = event.target === this.name;
    if (event.key === "Enter" && event.target.matches("input")) {
      event.preventDefault(); // nothing is said by a fader
      if (isName) this.keep.click();
    }
    if (isName || event.key.toLowerCase() !== "n" || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.now.click();
  }

  end() {
    document.removeEventListener("keydown", this.keys);
  }

  // One question at a time; of those that came meanwhile only the last is asked.
  async ask(by) {
    this.asked = { trial: this.said, held: [...this.held], by: by ? [by] : [] };
    if (this.isAsking) return;
    this.isAsking = true;
    while (this.asked) {
      const said = this.asked;
      this.asked = null;
      const answer = await fetch(`/tried?said=${encodeURIComponent(JSON.stringify(said))}`).catch(() => null);
      const found = await answer?.json();
      if (this.asked) continue; // overtaken: a fader has moved on meanwhile
      if (!answer) this.refuse("Cut off from the watch: figures stand as they were.");
      else if (answer.ok) this.show(found);
      else this.refuse(found.say);
    }
    this.isAsking = false;
  }

  refuse(words) {
    this.say.textContent = words;
    this.say.classList.add("fault");
  }

  show(found) {
    this.say.classList.remove("fault");
    this.say.textContent = `${found.say} ${found.do}`;
    for (const row of this.faders) if (row.fader.sets === "turns" && row.fader.of in found.turns) row.stand(found.turns[row.fader.of]);
    this.paint();
    this.press();
    this.asks.replaceChildren(...found.asked.map((words) => html("li", {}, words)));
    this.targets.replaceChildren(
      html("caption", {}, "Targets then"),
      html("thead", {}, html("tr", {}, ["Target", "Then", "Planned", "Off", "±", "Hold"].map((one) => html("th", { scope: "col", "aria-label": one === "±" ? "Uncertainty, stops" : null }, one)))),
      html("tbody", {}, found.targets.map((target) => this.row(target))),
    );
    this.told.replaceChildren(...found.told.map((words) => html("li", {}, html("span", {}, "–"), html("span", {}, words))));
    drawRuler(this.ruler, this.rulerWords, found.ruler, true);
    this.promised = new Map(found.ruler.readings.map(({ name, reading }) => [name, reading.value]));
  }

  row({ place, of, gets, planned, off, sure, sign }) {
    const hold = html("input", { type: "checkbox", "aria-label": `Hold ${of}`, checked: this.held.has(place) });
    hold.onchange = (event) => {
      event.stopPropagation();
      this.held[hold.checked ? "add" : "delete"](place);
      this.ask(this.last);
    };
    const name = html("th", { scope: "row" }, markIcon(sign.shape, sign.role), html("span", { class: "unseen" }, `${sign.state}: `), html("span", {}, ` ${of}`));
    return html("tr", {}, name, [gets, planned, off, sure].map((one) => html("td", {}, one)), html("td", {}, hold));
  }
}

// What a trial sets of a fader; where it stands now if nothing.
function valueIn(trial, { sets, of, places, stands }) {
  if (sets === "turns" && trial.off.includes(of)) return null;
  return (of ? trial[sets][of] : trial.camera[sets]) ?? places[stands].value;
}

const isSame = (one, other) => Object.keys(one).every((key) => String(Object.entries(one[key]).sort()) === String(Object.entries(other[key]).sort()));

class FaderRow {
  constructor(fader, moved) {
    this.fader = fader;
    this.value = fader.places[fader.stands].value;
    this.shown = html("output", {});
    this.input = html("input", { type: "range", min: 0, max: fader.places.length - 1, step: 1, value: fader.stands, "aria-label": fader.name });
    this.row = html("div", { class: "fader" }, html("span", {}, fader.name), this.input, this.shown);
    this.input.oninput = () => {
      this.value = fader.places[Number(this.input.value)].value;
      this.say();
      moved();
    };
    this.say();
  }

  get isMoved() {
    return this.value !== this.fader.places[this.fader.stands].value;
  }

  // Which place is nearest to a value.
  place(value) {
    const { places } = this.fader;
    if (typeof value !== "number") return places.findIndex((one) => one.value === value);
    const off = places.map((one) => (one.value === null ? Infinity : Math.abs(one.value - value)));
    return off.indexOf(Math.min(...off));
  }

  stopsAt(value) {
    const { stops } = this.fader.places[this.place(value)];
    return this.fader.sets === "turns" && value !== null ? stops.map(() => value) : stops;
  }

  stand(value) {
    this.value = value;
    this.input.value = this.place(value);
    this.say();
  }

  say() {
    const { words } = this.fader.places[this.place(this.value)];
    const turn = this.fader.sets === "turns" ? this.value ?? 0 : 0;
    const said = Math.abs(turn) < 0.05 ? words : `${words}, ${turn > 0 ? "up" : "down"} ${Math.abs(turn).toFixed(1)}`;
    this.shown.textContent = said;
    this.input.setAttribute("aria-valuetext", said);
  }
}
