// The page: holds what is shown, follows the stream, hands keys and buttons to what they do.
import { compare, seek } from "./compare.js";
import { ask, isOpen } from "./dialog.js";
import { act, dial, questions, send } from "./doing.js";
import { html, mark, markIcon } from "./draw.js";
import { Editor } from "./editor.js";
import { drawFloor } from "./floor.js";
import { Picture } from "./picture.js";
import { drawRuler } from "./ruler.js";
import { drawRun } from "./run.js";
import { knock, lampOut, toggleSound } from "./sound.js";
import { listen } from "./stream.js";

const HELD = 60;
const TOLD_MS = 8000;
const NO_PLAN = "This watch has no plan. Start it with --plan.";
const by = (id) => document.getElementById(id);
const mayEdit = document.body.dataset.mayEdit === "yes";
const state = { run: [], view: null, live: null, isLive: true, held: null, status: { behind: 0, decoding: [] }, isLinked: false, plan: { lights: [], looks: [], patches: [], backdrop: [] }, keys: localStorage.getItem("keys") !== "off" };

const picture = new Picture({ frame: by("picture"), image: by("image"), over: by("over"), none: by("no-picture") });
const editor = mayEdit ? new Editor({ picture, ask, send: (to, body) => send(to, body, tell), reload: loadPlan }) : null;

// --- what is shown ------------------------------------------------------------------------------

function show(view) {
  state.view = view;
  drawCall();
  by("shown-file").textContent = `${view.number} · ${view.file}`;
  drawParts();
  drawFindings(view.findings);
  by("facts").replaceChildren(...view.facts.flatMap(([label, words]) => [html("dt", {}, label || "\u00a0"), html("dd", {}, words.replaceAll(" %", "\u00a0%"))]));
  picture.show(view);
}

// What is drawn as large as it stands on the screen.
function drawParts() {
  const { view, run, plan } = state;
  drawFloor(by("floor"), by("lamps"), view ? view.floor : plan.floor, plan.is_there);
  if (!view) return;
  drawRuler(by("ruler"), by("ruler-words"), view.ruler);
  drawRun(by("run"), by("run-words"), run, view.number);
}

function drawCall() {
  const { view } = state;
  if (!view) return;
  const held = state.isLive && state.held && !view.lamp_out ? state.held : null;
  const [say, does] = held ?? [view.say, view.do];
  const [shape, role] = held ? ["diamond", "fails"] : [view.mark, view.role];
  by("mark").replaceChildren(mark(shape, role, { size: 20 }));
  document.body.dataset.verdict = held ? "off plan" : view.verdict;
  fit(by("say"), say);
  fit(by("do"), does);
  placeLate();
  speak(`${say} ${does}`);
  document.title = `${say} stopwise`;
}

// The type never gets smaller; a line that would not fit is set narrower.
function fit(place, words) {
  const inner = html("span", { class: "fit" }, words);
  place.replaceChildren(inner);
  const room = place.clientWidth;
  const needed = inner.offsetWidth;
  if (needed > room && room) inner.style.transform = `scaleX(${room / needed})`;
}

// The live region speaks the call that stands there, each time that it becomes another.
function speak(words) {
  if (by("spoken").textContent !== words) by("spoken").textContent = words;
}

// How far the watch is behind stands beside the call: on its first line that has room for it.
function placeLate() {
  const late = by("late");
  const room = by("say").parentElement.clientWidth - late.offsetWidth * 1.15;
  const widths = ["say", "do"].map((id) => (by(id).firstElementChild?.getBoundingClientRect().width ?? by(id).clientWidth));
  late.dataset.row = ["first", "second"][widths.findIndex((width) => width <= room)] ?? "below";
}

// What doesn't hold stands open; what holds is counted, and there for whoever asks.
function drawFindings(found) {
  const open = found.filter(({ state: now }) => now !== "holds");
  const held = found.filter(({ state: now }) => now === "holds");
  by("findings").replaceChildren(...(found.length ? findings(open) : [html("li", { class: "quiet" }, "Nothing was judged.")]));
  by("held").hidden = !held.length;
  by("held-count").textContent = open.length ? `${held.length} hold` : `All ${held.length} hold`;
  by("held-findings").replaceChildren(...findings(held));
}

function findings(found) {
  return found.map((one) =>
    html("li", { class: one.state.replaceAll(" ", "-") }, markIcon(one.mark, one.role), html("span", { class: "unseen" }, `${one.state}: `), html("span", {}, one.say.replaceAll(" %", "\u00a0%"), one.state === "fails" && one.do ? html("b", {}, ` ${one.do}`) : "")),
  );
}

function drawLine() {
  const { behind, backlog = 0, decoding = [], said = [] } = state.status;
  const parts = [];
  if (!state.isLinked) parts.push("No connection: coming back");
  if (decoding.length) parts.push(`Reading ${decoding.at(-1)}`);
  else if (behind === 1) parts.push("Reading a frame");
  by("late").textContent = behind > 1 ? `${behind} behind` : "";
  placeLate();
  if (behind > 1 && by("late").dataset.row === "below") parts.push(`${behind} behind`);
  if (backlog) parts.push(`${backlog} older to judge`);
  parts.push(...said);
  if (!state.isLive) parts.push(state.live && state.live.number !== state.view?.number ? `Looking back: live is ${state.live.number}` : "Looking back");
  by("line").textContent = parts.join(" · ");
  document.body.toggleAttribute("data-unlinked", !state.isLinked);
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

function take(view) {
  const at = state.run.findIndex((frame) => frame.number === view.number);
  if (at >= 0) state.run[at] = view.run;
  else state.run = [...state.run, view.run].slice(-HELD);
  state.live = view;
  if (state.isLive) {
    show(view);
    if (view.lamp_out) lampOut();
    else if (view.verdict === "off plan") knock();
  }
  drawLine();
}

async function loadPlan() {
  const look = state.view?.look ? `?look=${encodeURIComponent(state.view.look)}` : "";
  const answer = await fetch(`/plan${look}`);
  if (answer.ok) state.plan = await answer.json();
  if (!state.view) drawParts();
  return state.plan;
}

async function lookAt(number) {
  const answer = await fetch(`/view/${number}`);
  if (answer.ok) show(await answer.json());
  drawLine();
}

// Within the frames that the page holds a step is a place in the run, before them a row of the ledger.
function step(by) {
  if (!state.view || !state.run.length) return;
  const at = state.run.findIndex((frame) => frame.number === state.view.number);
  const isLast = at === state.run.length - 1 && by > 0;
  const next = (at < 0 ? null : state.run[at + by]?.number) ?? state.view.number + by;
  if (next > 0 && !isLast) goTo(next);
}

function goTo(number) {
  setLive(number === state.run.at(-1)?.number);
  return lookAt(number);
}

async function find() {
  const form = await ask({
    head: "Find a frame",
    body: [html("label", {}, "Its number, or its file's name", html("input", { name: "name", autocomplete: "off", required: true }))],
    yes: "Show it",
  });
  if (!form) return;
  const found = await seek(form.get("name"));
  if (found) await goTo(found.number);
  else tell(`There is no frame ${form.get("name")}.`, true);
}

function setLive(isLive) {
  state.isLive = isLive;
  button("live").setAttribute("aria-pressed", isLive);
  drawLine();
}

// --- what is done -------------------------------------------------------------------------------

const button = (name) => document.querySelector(`[data-do="${name}"]`);

const deeds = {
  earlier: () => step(-1),
  later: () => step(1),
  live: () => {
    setLive(true);
    if (state.live) show(state.live);
  },
  find,
  more: () => {
    const isOpen = by("tools").toggleAttribute("data-open");
    by("more").setAttribute("aria-expanded", isOpen);
    by("more").textContent = isOpen ? "Less" : "More";
  },
  compare: async () => {
    const said = await compare(state.run, state.view?.number);
    if (said) tell(said, true);
  },
  sound: () => button("sound").setAttribute("aria-pressed", toggleSound()),
  theme: () => setTheme(document.documentElement.dataset.theme === "dark" ? "light" : "dark"),
  keys: () => showKeys(),
  ...(mayEdit
    ? {
        edit: async () => {
          if (!state.plan.is_there) return tell(NO_PLAN, true);
          const isOn = await editor.toggle();
          button("edit").setAttribute("aria-pressed", isOn);
          if (isOn) tell("Draw a box, or drag one. A second tap opens it; N makes a new one.");
        },
        undo: async () => {
          await send("/do/undo", {}, tell);
          editor.setPlan(await loadPlan());
        },
        dial: () => dial(tell),
        seen: () => send("/do/acknowledge", {}, tell),
        new: () => editor.isOn && editor.open({ box: [0.45, 0.45, 0.55, 0.55] }),
        ...Object.fromEntries(Object.keys(questions).map((name) => [name, () => question(name)])),
      }
    : {}),
};

async function question(name) {
  if (!state.view && ["adopt", "mark"].includes(name)) return tell("There is no frame yet.", true);
  await loadPlan();
  if (!state.plan.is_there && name !== "take") return tell(NO_PLAN, true);
  await act(name, { view: state.view, plan: state.plan }, tell);
}

const keys = {
  ArrowLeft: "earlier", ArrowRight: "later", End: "live", f: "find", c: "compare", s: "sound", b: "theme", "?": "keys",
  ...(mayEdit ? { p: "edit", n: "new", a: "adopt", m: "mark", t: "take", l: "lit", d: "dial", k: "look", e: "expect", u: "undo", o: "seen" } : {}),
};
const layers = ["contours", "blown", "blocked", "patches"];
const names = { earlier: "Earlier frame", later: "Later frame", live: "Back to the last frame", find: "Find a frame by number or name", compare: "Compare two frames", sound: "Sound on or off", theme: "Dark or bright room", keys: "This list", edit: "Draw patches, or stop", new: "New patch while drawing", adopt: "Adopt this frame", mark: "Mark this frame", take: "Begin a take", lit: "Say what is lit", dial: "Work out powers", look: "Say which look is worn", expect: "Say what comes next", undo: "Take back the last edit", seen: "The lamp was seen to" };

function showKeys() {
  const rows = [...Object.entries(keys).map(([key, name]) => [key.replace("Arrow", ""), names[name]]), ...layers.map((layer, place) => [String(place + 1), `${layer} on or off`])];
  const box = html("input", { type: "checkbox", checked: state.keys, onchange: (event) => setKeys(event.target.checked) });
  ask({
    head: "Keys",
    body: [html("label", { class: "check" }, box, "Single keys work"), html("dl", { class: "keys" }, ...rows.flatMap(([key, words]) => [html("dt", {}, html("kbd", {}, key.length === 1 ? key.toUpperCase() : key)), html("dd", {}, words.replaceAll(" %", "\u00a0%"))]))],
    yes: null,
    no: "Close",
  });
}

function setKeys(isOn) {
  state.keys = isOn;
  localStorage.setItem("keys", isOn ? "on" : "off");
}

function setTheme(theme) {
  document.documentElement.dataset.theme = theme;
  localStorage.setItem("theme", theme);
  button("theme").setAttribute("aria-pressed", theme === "light");
}

function toggleLayer(layer) {
  document.querySelector(`[data-layer="${layer}"]`).setAttribute("aria-pressed", picture.toggle(layer));
}

document.addEventListener("click", (event) => {
  const pressed = event.target.closest("[data-do], [data-layer]");
  if (pressed?.dataset.do) deeds[pressed.dataset.do]?.();
  else if (pressed?.dataset.layer) toggleLayer(pressed.dataset.layer);
});

document.addEventListener("keydown", (event) => {
  if (isOpen() || event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, select, textarea")) return;
  const isSingle = event.key.length === 1;
  if (isSingle && !state.keys && event.key !== "?") return;
  const key = isSingle ? event.key.toLowerCase() : event.key;
  const layer = layers[Number(key) - 1];
  if (keys[key]) {
    event.preventDefault();
    deeds[keys[key]]?.();
  } else if (layer) toggleLayer(layer);
});

// The first row of parts fills what call line and buttons leave, and focus stays clear of the buttons.
function measure() {
  const root = document.documentElement.style;
  root.setProperty("--above", `${by("main").offsetTop}px`);
  root.setProperty("--tools", `${by("tools").offsetHeight}px`);
}

const resized = new ResizeObserver(() => {
  measure();
  drawCall();
  drawLine();
  drawParts();
});
for (const place of [document.body, document.querySelector(".below-call"), by("tools"), by("ruler"), by("floor")]) resized.observe(place);

// --- begin --------------------------------------------------------------------------------------

setTheme(localStorage.getItem("theme") ?? "dark");
const [start] = await Promise.all([fetch("/views").then((answer) => answer.json()), loadPlan()]);
state.run = start.run;
if (start.view) {
  state.live = start.view;
  show(start.view);
}
listen({
  after: start.last,
  state: (isLinked) => {
    state.isLinked = isLinked;
    drawLine();
  },
  view: take,
  status: (status) => {
    state.status = status;
    drawLine();
  },
  held: ({ lines }) => {
    state.held = lines;
    drawCall();
  },
  plan: async () => editor?.setPlan(await loadPlan()),
  note: ({ words }) => note(words),
});
