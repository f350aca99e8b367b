// The page: holds what is shown, follows the stream, hands keys and buttons to what they do, in order.
import { act, dial, find, questions } from "./actions.js";
import { Band } from "./band.js";
import { compare, seek } from "./compare.js";
import { ask, check, isOpen } from "./dialog.js";
import { by, firm, html, markIcon } from "./draw.js";
import { Drawing } from "./drawing.js";
import { drawFloor } from "./floor.js";
import { Picture } from "./picture.js";
import { read, send } from "./requests.js";
import { drawRuler } from "./ruler.js";
import { drawRun } from "./run.js";
import { knock, lampOut, toggleSound } from "./sound.js";
import { listen } from "./stream.js";
import { asTried, tryLight } from "./trying.js";

const HELD = 60;
const TOLD_MS = 8000;
const FRESH_MS = 15000; // an older frame was missed: it is shown, and only a lamp that is out is heard
const NO_PLAN = "This watch has no plan. Start it with --plan.";
const mayEdit = document.body.dataset.mayEdit === "yes";

// `view` is the one frame that every part shows. `wanted` is the number that steps have reached while
// looking back; null follows the newest. `last` is the newest frame that any answer named. The link
// is neither up nor down until the stream has answered once.
const state = { run: [], view: null, newest: null, held: null, last: 0, wanted: null, ledger: "", drawing: null, tried: null, offset: 0, link: { isUp: null, since: 0 }, status: { behind: 0, backlog: 0, decoding: [], said: [], take: null }, plan: null, hasKeys: localStorage.getItem("shortcuts") !== "off" };
Object.defineProperty(state, "isFollowing", { get: () => state.wanted === null });

const picture = new Picture({ frame: by("picture"), image: by("image"), over: by("over"), none: by("no-picture") });
const drawing = mayEdit ? new Drawing({ picture, tell, changed: drawingChanged, hasKeys: () => state.hasKeys }) : null;
const band = new Band(state);

// --- what is shown ------------------------------------------------------------------------------

// Every part shows this one frame.
function show(view) {
  state.view = view;
  document.body.dataset.number = view.number;
  band.draw();
  by("shown-file").textContent = view.file;
  drawParts();
  drawFindings(view.findings);
  by("facts").replaceChildren(...view.facts.flatMap(([label, words]) => [html("dt", {}, label || "\u00a0"), html("dd", {}, firm(words))]));
  for (const part of document.querySelectorAll("main > section")) part.dataset.number = view.number;
  picture.show(view);
}

// What is drawn as large as it stands on the screen.
function drawParts() {
  const { view, run, plan } = state;
  if (view || plan) drawFloor(by("floor"), by("lamps"), view ? view.floor : plan.floor, { hasPlan: plan?.is_there ?? true, turned: view?.turned_since });
  if (!view) return;
  drawRuler(by("ruler"), by("ruler-words"), view.ruler, picture.layers.names);
  drawRun(by("run"), by("run-words"), run, view);
}

// What doesn't hold stands open; what holds is counted, and there for whoever asks.
function drawFindings(found) {
  const open = found.filter(({ sign }) => sign.state !== "holds");
  const held = found.filter(({ sign }) => sign.state === "holds");
  by("findings").replaceChildren(...(found.length ? findings(open) : [html("li", { class: "quiet" }, "Nothing was judged.")]));
  by("held").hidden = !held.length;
  by("held-count").textContent = open.length ? `${held.length} hold` : `All ${held.length} hold`;
  by("held-findings").replaceChildren(...findings(held));
}

function findings(found) {
  return found.map(({ sign, say, do: does }) =>
    html("li", { class: sign.state.replaceAll(" ", "-") }, markIcon(sign.shape, sign.role), html("span", { class: "unseen" }, `${sign.state}: `), html("span", {}, firm(say), sign.state === "fails" && does ? html("b", {}, ` ${does}`) : "")),
  );
}

function drawLine() {
  const { behind, backlog = 0, decoding = [], said = [] } = state.status;
  const parts = [];
  if (state.link.isUp === false) parts.push("No connection: coming back");
  if (decoding.length) parts.push(`Reading ${decoding.at(-1)}`);
  else if (behind === 1) parts.push("Reading a frame");
  if (backlog) parts.push(`${backlog} older to judge`);
  parts.push(...said);
  by("line").textContent = parts.join(" · ");
  document.body.toggleAttribute("data-unlinked", !state.link.isUp);
}

// The answer to what a person did stands for its time; what the watch notes meanwhile comes after.
const told = { timer: 0, isAnswer: false, next: "" };

function tell(words, isFault = false) {
  told.isAnswer = true;
  put(words, isFault);
}

function note(words) {
  if (told.isAnswer) told.next = words;
  else put(words, false);
}

function put(words, isFault) {
  const place = by("told");
  place.textContent = words;
  place.classList.toggle("fault", isFault);
  clearTimeout(told.timer);
  told.timer = setTimeout(afterTold, TOLD_MS);
}

function afterTold() {
  const { next } = told;
  Object.assign(told, { isAnswer: false, next: "" });
  if (next) note(next);
  else by("told").textContent = "";
}

// --- what comes ---------------------------------------------------------------------------------

function hear(beat) {
  state.offset = beat.now_ms - Date.now();
  if (state.ledger && beat.ledger !== state.ledger) return location.reload(); // its numbers are others
  state.ledger = beat.ledger;
  if (beat.newest > state.last) {
    state.last = beat.newest;
    band.landed();
  }
}

// A frame landed: it is the newest, whatever is looked at, and is called out as such.
function take({ view, held, beat }) {
  hear(beat);
  const at = state.run.findIndex((frame) => frame.number === view.number);
  if (at >= 0) state.run[at] = view.run;
  else state.run = [...state.run, view.run].slice(-HELD);
  if (view.number < (state.newest?.number ?? 0)) return;
  state.newest = view;
  state.held = held;
  if (state.isFollowing && !state.drawing) show(view);
  else band.draw();
  band.callOut(view, band.at === "newest" && !isOpen());
  if (state.tried && view.number > state.tried.after) {
    tell(asTried(state.tried.promised, view.ruler?.readings ?? []));
    state.tried = null;
  }
  if (view.call === "misfire") lampOut();
  else if (view.call === "off plan" && beat.now_ms - view.landed_ms < FRESH_MS) knock();
  drawLine();
}

function planOf(look) {
  return read(`/plan${look ? `?look=${encodeURIComponent(look)}` : ""}`);
}

async function loadPlan() {
  const plan = await planOf(state.view?.look);
  if (plan) state.plan = plan;
  if (!state.view) drawParts();
  return plan;
}

// What was turned since stands beside what is shown: it is asked for again when a take begins.
async function refresh() {
  const { view } = state;
  if (!view) return;
  const found = await read(`/view/${view.number}`);
  if (!found?.view || state.view !== view) return;
  if (state.newest?.number === view.number) state.newest = found.view;
  show(found.view);
}

// --- looking back -------------------------------------------------------------------------------

let looking = Promise.resolve();

// Steps count from where the steps before have reached, whether that frame is here yet or not.
function step(by) {
  if (!state.view || state.drawing) return;
  const from = state.wanted ?? state.view.number;
  const at = state.run.findIndex((frame) => frame.number === from);
  const next = (at < 0 ? null : state.run[at + by]?.number) ?? from + by;
  if (next < 1) return;
  if (next >= (state.newest?.number ?? 0)) goToNewest();
  else goTo(next);
}

function goTo(number) {
  if (number === state.newest?.number) return goToNewest();
  state.wanted = number;
  band.draw();
  drawLine();
  looking = lookAt(number);
  pressed();
}

async function lookAt(number) {
  const found = await read(`/view/${number}`);
  if (state.wanted !== number) return; // overtaken by another step
  if (found?.view) {
    hear(found.beat);
    return show(found.view);
  }
  state.wanted = state.view.number === state.newest?.number ? null : state.view.number;
  tell(found === undefined ? `Cut off from the watch: frame ${number} can't be fetched now.` : `There is no frame ${number}.`, true);
  band.draw();
  pressed();
}

// The newest frame is asked for, so that on a slow line none that is older is shown as such.
function goToNewest() {
  const asked = Symbol("newest");
  state.wanted = asked;
  looking = (async () => {
    const found = await read("/newest");
    if (state.wanted !== asked) return;
    state.wanted = null;
    if (found?.view) {
      hear(found.beat);
      if (found.view.number >= (state.newest?.number ?? 0)) Object.assign(state, { newest: found.view, held: found.held });
    }
    if (state.newest) show(state.newest);
    pressed();
  })();
}

function pressed() {
  button("newest").setAttribute("aria-pressed", state.isFollowing);
}

async function findFrame() {
  if (state.drawing) return;
  await find(async (name) => {
    const found = await seek(name);
    if (found) goTo(found.number);
    const say = found === undefined ? "Cut off from the watch: it can't be looked for now." : `There is no frame ${name}.`;
    return { isDone: Boolean(found), say, field: "name" };
  });
}

// --- what is done -------------------------------------------------------------------------------

const button = (name) => document.querySelector(`nav [data-do="${name}"]`);

const deeds = {
  earlier: () => step(-1),
  later: () => step(1),
  newest: () => !state.drawing && goToNewest(),
  find: findFrame,
  more: () => {
    const isAll = by("tools").toggleAttribute("data-open");
    by("more").setAttribute("aria-expanded", isAll);
    by("more").textContent = isAll ? "Less" : "More";
  },
  compare: () => (state.run.length < 2 ? tell("Two frames are needed to compare.", true) : compare(state.run, state.view?.number)),
  sound: () => button("sound").setAttribute("aria-pressed", toggleSound()),
  theme: () => setTheme(document.documentElement.dataset.theme === "dark" ? "light" : "dark"),
  shortcuts: showShortcuts,
  edit: async () => {
    await looking;
    if (!state.view) tell("There is no frame yet to draw on.", true);
    else if (state.view.verdict === "unreadable") tell("This frame has no picture to draw on: go to another.", true);
    else await drawing.begin(state.view);
  },
  dial: () => dial(),
  try: async () => {
    const promised = await tryLight(mayEdit, tell);
    if (promised) state.tried = { promised, after: state.newest?.number ?? 0 };
  },
  fixed: async () => {
    const { say, isDone } = await send("/do/fixed");
    tell(say, !isDone);
  },
  ...Object.fromEntries(Object.keys(questions).map((name) => [name, () => question(name)])),
};

// A question opens at once. It is about the frame that the steps before it have reached.
async function question(name) {
  if (!state.view && ["adopt", "mark"].includes(name)) return tell("There is no frame yet.", true);
  const number = typeof state.wanted === "number" ? state.wanted : state.view?.number;
  await act(
    name,
    questions[name].head({ view: { number } }),
    async () => {
      await looking;
      const { view } = state;
      const plan = await planOf(view?.look);
      if (!plan) return null;
      state.plan = plan;
      return { view, plan };
    },
    tell,
  );
}

// Drawing has the screen to itself, on the frame that is frozen with it.
function drawingChanged() {
  state.drawing = drawing.isOn ? { number: drawing.number, look: drawing.look } : null;
  document.body.toggleAttribute("data-drawing", drawing.isOn);
  by("drawing").hidden = !drawing.isOn;
  by("tools").hidden = drawing.isOn;
  measure();
  if (!drawing.isOn && state.isFollowing && state.newest) show(state.newest);
  else {
    band.draw();
    picture.draw();
  }
}

// One thing after another, in the order in which it was pressed, once the page has begun.
let isReady;
let queue = new Promise((ready) => (isReady = ready));
const done = (name) => (queue = queue.then(deeds[name]).catch((error) => tell(`That failed in the page itself: ${error.message}.`, true)));

const shortcuts = [...document.querySelectorAll("[aria-keyshortcuts]")].map((one) => {
  const { do: name, layer, words } = one.dataset;
  return { key: one.getAttribute("aria-keyshortcuts"), press: layer ? () => toggleLayer(layer) : () => done(name), words };
});
const DRAWN = [["N", "New patch while drawing"], ["Enter", "Open the box that has the focus, while drawing"], ["U", "Back one step while drawing"], ["S", "Save what was drawn"], ["Esc", "Leave drawing"]];

function showShortcuts() {
  const box = check("single", "Single keys work", state.hasKeys);
  box.onchange = (event) => {
    state.hasKeys = event.target.checked;
    localStorage.setItem("shortcuts", state.hasKeys ? "on" : "off");
  };
  const listed = [...shortcuts.map(({ key, words }) => [key.replace("Arrow", ""), words]), ...(mayEdit ? DRAWN : [])];
  const rows = listed.flatMap(([key, words]) => [html("dt", {}, html("kbd", {}, key)), html("dd", {}, words)]);
  return ask({ head: "Shortcuts", fill: () => [box, html("dl", { class: "keys" }, rows)], yes: null, no: "Close" });
}

function setTheme(theme) {
  document.documentElement.dataset.theme = theme;
  localStorage.setItem("theme", theme);
  button("theme").setAttribute("aria-pressed", theme === "light");
}

function toggleLayer(layer) {
  document.querySelector(`[data-layer="${layer}"]`).setAttribute("aria-pressed", picture.toggle(layer));
  drawParts();
}

document.addEventListener("click", (event) => {
  const { do: name, layer } = event.target.closest("[data-do], [data-layer]")?.dataset ?? {};
  if (layer) toggleLayer(layer);
  else if (name) done(name);
});

document.addEventListener("keydown", (event) => {
  if (state.drawing || isOpen() || event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, select, textarea")) return;
  if (event.key.length === 1 && !state.hasKeys && event.key !== "?") return;
  const shortcut = shortcuts.find(({ key }) => key.toLowerCase() === event.key.toLowerCase());
  if (!shortcut) return;
  event.preventDefault();
  shortcut.press();
});

// The first row of parts fills what band and buttons leave, and focus stays clear of both.
function measure() {
  const root = document.documentElement.style;
  root.setProperty("--band", `${by("top").offsetHeight}px`);
  root.setProperty("--above", `${by("main").offsetTop}px`);
  root.setProperty("--tools", `${by("tools").offsetHeight || by("drawing")?.offsetHeight || 0}px`);
}

const resized = new ResizeObserver(() => {
  measure();
  band.draw();
  drawParts();
});
for (const place of [document.body, by("top"), document.querySelector(".below-band"), by("tools"), by("ruler"), by("floor")]) resized.observe(place);

// --- begin --------------------------------------------------------------------------------------

function begin({ run, shown }) {
  state.run = run;
  hear(shown.beat);
  state.held = shown.held;
  state.newest = shown.view;
  if (shown.view) show(shown.view);
}

setTheme(localStorage.getItem("theme") ?? "dark");
const [begun] = await Promise.all([read("/begin"), loadPlan()]);
if (begun) begin(begun);
isReady();
listen({
  after: begun?.shown.beat.newest ?? 0,
  state: (isUp) => {
    if (isUp === state.link.isUp) return;
    state.link = { isUp, since: isUp ? 0 : Date.now() };
    band.draw();
    drawLine();
  },
  beat: (beat) => {
    hear(beat);
    band.drawState();
  },
  shown: take,
  status: (status) => {
    const isNewTake = status.take !== state.status.take;
    state.status = status;
    drawLine();
    band.drawState();
    if (isNewTake) refresh();
  },
  held: (held) => {
    state.held = held;
    band.draw();
  },
  plan: async () => {
    await loadPlan();
    await drawing?.planChanged();
  },
  note,
});
