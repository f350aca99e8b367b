// Powers tried on the page: a fader a lamp; the picture is added up here, every figure is the watch's.
import { ask } from "./dialog.js";
import { html, markIcon, svg } from "./draw.js";
import { deed, read } from "./requests.js";
import { drawRuler } from "./ruler.js";
import { Sum } from "./sum.js";

const AS_TRIED = 0.3; // a third of a stop, which most targets allow
const READING_MS = 120000; // solos that aren't kept are decoded first

// Open it. `mayEdit` tells whether what was tried can be said to the watch; `tell` says what came of it.
// Returns the zones that were promised, by patch, where it was said; else null.
export async function tryPowers(mayEdit, tell) {
  let trial = null;
  const doing = deed("/do/take");
  const found = await ask({
    head: "Try powers",
    fill: async () => {
      const set = await read("/trying", READING_MS);
      if (set === undefined) return null;
      const light = set && (await fetch("/trying/light").then((answer) => (answer.ok ? answer.arrayBuffer() : null)).catch(() => null));
      if (!light) return [html("p", { class: "fault", role: "alert", "data-idle": true }, await why())];
      trial = new Trial(set, light);
      return trial.parts;
    },
    done: () => (trial.turned ? doing({ turned: trial.turned }) : { isDone: false, say: "Nothing is turned yet." }),
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
  constructor(set, light) {
    this.set = set;
    this.held = new Set();
    this.wanted = Object.fromEntries(set.faders.map(({ name }) => [name, 0])); // as fingers set it
    this.turns = { ...this.wanted }; // with what holds a target
    this.together = new Map(set.faders.map(({ name, together }) => [name, together]));
    this.last = "";
    this.asked = null; // the trial that waits for the one that is on its way
    this.isAsking = false;
    this.canvas = html("canvas", { width: set.columns, height: set.rows, role: "img", "aria-label": "The picture that these powers would give" });
    this.sum = new Sum(set, light, this.canvas);
    this.faders = set.faders.map((fader) => new FaderRow(fader, (turn) => this.turn(fader.name, turn)));
    this.now = html("button", { type: "button", "aria-pressed": "false", "aria-keyshortcuts": "N" }, "As it stands");
    this.now.onclick = () => this.look(this.now.getAttribute("aria-pressed") !== "true");
    this.back = html("button", { type: "button" }, "Put all back");
    this.back.onclick = () => this.reset();
    this.say = html("p", { class: "tried-say", role: "status" });
    this.asks = html("ul", { class: "tried-asked" });
    this.targets = html("table", {});
    this.told = html("ul", { class: "findings" });
    this.ruler = svg("svg", { role: "img", "aria-label": "Stop ruler" });
    this.rulerWords = html("p", { class: "unseen" });
    this.keys = (event) => this.pressed(event);
    document.addEventListener("keydown", this.keys);
    this.parts = [
      this.say,
      html(
        "div",
        { class: "trying" },
        html("div", { class: "tried-left" }, html("figure", { class: "tried-picture" }, this.canvas, html("figcaption", {}, this.now, this.back, html("span", { class: "quiet" }, set.doubted ? `Hatched: a solo is clipped, it is brighter there (${set.doubted} of the picture).` : "Added up from the solos."))), html("div", { class: "tried-faders" }, this.faders.map(({ row }) => row), this.asks)),
        html("div", { class: "tried-right" }, html("div", { class: "tried-ruler" }, this.ruler, this.rulerWords), html("div", { class: "tried-targets" }, this.targets, this.told)),
      ),
    ];
    this.sum.paint(this.turns);
    this.ask("");
  }

  // What is said to the watch: the turns as they would be written.
  get turned() {
    return this.set.faders
      .filter(({ name }) => Math.abs(this.turns[name]) > 1e-6)
      .map(({ name }) => `${name} ${this.turns[name] > 0 ? "+" : ""}${this.turns[name]}`)
      .join(", ");
  }

  turn(name, stops) {
    for (const one of this.together.get(name)) {
      this.wanted[one] = this.turns[one] = stops;
      if (one !== name) this.faders.find((fader) => fader.name === one).stand(stops);
    }
    this.last = name;
    this.look(false);
    this.ask(name);
  }

  reset() {
    for (const name of Object.keys(this.wanted)) this.wanted[name] = this.turns[name] = 0;
    this.faders.forEach((fader) => fader.stand(0));
    this.look(false);
    this.ask("");
  }

  look(isNow) {
    this.now.setAttribute("aria-pressed", isNow);
    this.sum.paint(isNow ? {} : this.turns);
  }

  pressed(event) {
    if (event.key === "Enter" && event.target.matches("input")) return event.preventDefault(); // nothing is said by a fader
    if (event.key.toLowerCase() !== "n" || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.now.click();
  }

  end() {
    document.removeEventListener("keydown", this.keys);
  }

  // One question at a time; of those that came meanwhile only the last is asked.
  async ask(by) {
    this.asked = { turns: { ...this.wanted }, held: [...this.held], by: by ? [by] : [] };
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
    for (const fader of this.faders) {
      this.turns[fader.name] = found.turns[fader.name];
      fader.stand(this.turns[fader.name]);
    }
    this.look(this.now.getAttribute("aria-pressed") === "true");
    this.asks.replaceChildren(...found.asked.map((words) => html("li", {}, words)));
    this.targets.replaceChildren(
      html("caption", {}, "Targets then"),
      html("thead", {}, html("tr", {}, ["Target", "Then", "Planned", "Off", "Hold"].map((one) => html("th", { scope: "col" }, one)))),
      html("tbody", {}, found.targets.map((target) => this.row(target))),
    );
    this.told.replaceChildren(...found.told.map((words) => html("li", {}, html("span", {}, "–"), html("span", {}, words))));
    drawRuler(this.ruler, this.rulerWords, found.ruler, true);
    this.promised = new Map(found.ruler.readings.map(({ name, reading }) => [name, reading.value]));
  }

  row({ place, of, gets, planned, off, sign }) {
    const hold = html("input", { type: "checkbox", "aria-label": `Hold ${of}`, checked: this.held.has(place) });
    hold.onchange = (event) => {
      event.stopPropagation();
      this.held[hold.checked ? "add" : "delete"](place);
      this.ask(this.last);
    };
    const name = html("th", { scope: "row" }, markIcon(sign.shape, sign.role), html("span", { class: "unseen" }, `${sign.state}: `), html("span", {}, ` ${of}`));
    return html("tr", {}, name, [gets, planned, off].map((one) => html("td", {}, one)), html("td", {}, hold));
  }
}

class FaderRow {
  constructor({ name, turns, words, stands }, moved) {
    Object.assign(this, { name, turns, words });
    this.shown = html("output", {});
    this.input = html("input", { type: "range", min: 0, max: turns.length - 1, step: 1, value: stands, "aria-label": name });
    this.row = html("div", { class: "fader" }, html("span", {}, name), this.input, this.shown);
    this.input.oninput = () => {
      this.say();
      moved(this.turns[Number(this.input.value)]);
    };
    this.say();
  }

  // Stand where a turn leaves the lamp, the nearest place of its dial.
  stand(turn) {
    const off = this.turns.map((one) => Math.abs(one - turn));
    this.input.value = off.indexOf(Math.min(...off));
    this.say();
  }

  say() {
    const at = Number(this.input.value);
    const turn = this.turns[at];
    const words = Math.abs(turn) < 0.05 ? this.words[at] : `${this.words[at]}, ${turn > 0 ? "up" : "down"} ${Math.abs(turn).toFixed(1)}`;
    this.shown.textContent = words;
    this.input.setAttribute("aria-valuetext", words);
  }
}
