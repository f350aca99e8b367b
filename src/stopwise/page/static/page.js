// The page: holds what is shown, follows the stream, hands keys and buttons to what they do.
import { act, dial, find, questions } from "./actions.js";
import { compare, seek } from "./compare.js";
import { ask, check, isOpen } from "./dialog.js";
import { firm, html, mark, markIcon } from "./draw.js";
import { Editor } from "./editor.js";
import { drawFloor } from "./floor.js";
import { Picture } from "./picture.js";
import { read, send } from "./requests.js";
import { drawRuler } from "./ruler.js";
import { drawRun } from "./run.js";
import { knock, lampOut, toggleSound } from "./sound.js";
import { listen } from "./stream.js";

const HELD = 60;
const TOLD_MS = 8000;
const NO_PLAN = "This watch has no plan. Start it with --plan.";
const by = (id) => document.getElementById(id);
const mayEdit = document.body.dataset.mayEdit === "yes";
const state = { run: [], view: null, newest: null, isNewest: true, held: null, status: { behind: 0, decoding: [] }, isLinked: false, plan: { lights: [], looks: [], patches: [], backdrop: [] }, hasKeys: localStorage.getItem("shortcuts") !== "off" };

const picture = new Picture({ frame: by("picture"), image: by("image"), over: by("over"), none: by("no-picture") });
const editor = mayEdit ? new Editor({ picture, send: done, reload: loadPlan }) : null;

// --- what is shown ------------------------------------------------------------------------------

function show(view) {
  state.view = view;
  drawHeadline();
  by("shown-file").textContent = `${view.number} · ${view.file}`;
  drawParts();
  drawFindings(view.findings);
  by("facts").replaceChildren(...view.facts.flatMap(([label, words]) => [html("dt", {}, label || "\u00a0"), html("dd", {}, firm(words))]));
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

function drawHeadline() {
  const { view } = state;
  if (!view) return;
  const held = state.isNewest && state.held && !view.lamp_out ? state.held : null;
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

// The live region speaks the headline that stands there, each time that it becomes another.
function speak(words) {
  if (by("spoken").textContent !== words) by("spoken").textContent = words;
}

// How far the watch is behind stands beside the headline: on its first line that has room for it.
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
    html("li", { class: one.state.replaceAll(" ", "-") }, markIcon(one.mark, one.role), html("span", { class: "unseen" }, `${one.state}: `), html("span", {}, firm(one.say), one.state === "fails" && one.do ? html("b", {}, ` ${one.do}`) : "")),
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
  if (!state.isNewest) parts.push(state.newest && state.newest.number !== state.view?.number ? `Looking back: newest is ${state.newest.number}` : "Looking back");
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
  state.newest = view;
  if (state.isNewest) {
    show(view);
    if (view.lamp_out) lampOut();
    else if (view.verdict === "off plan") knock();
  }
  drawLine();
}

async function loadPlan() {
  const look = state.view?.look ? `?look=${encodeURIComponent(state.view.look)}` : "";
  state.asked = read(`/plan${look}`);
  let asked, plan;
  do plan = await (asked = state.asked);
  while (asked !== state.asked); // an answer that was overtaken counts for nothing
  state.plan = plan ?? state.plan;
  if (!state.view) drawParts();
  return state.plan;
}

async function lookAt(number) {
  const view = await read(`/view/${number}`);
  if (view) show(view);
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
  setNewest(number === state.run.at(-1)?.number);
  return lookAt(number);
}

async function findFrame() {
  const name = await find();
  if (!name) return;
  const found = await seek(name);
  if (found) await goTo(found.number);
  else tell(`There is no frame ${name}.`, true);
}

function setNewest(isNewest) {
  state.isNewest = isNewest;
  button("newest").setAttribute("aria-pressed", isNewest);
  drawLine();
}

// --- what is done -------------------------------------------------------------------------------

const button = (name) => document.querySelector(`[data-do="${name}"]`);

async function done(to, body) {
  const { say, isDone } = await send(to, body);
  tell(say, !isDone);
  return isDone;
}

const deeds = {
  earlier: () => step(-1),
  later: () => step(1),
  newest: () => {
    setNewest(true);
    if (state.newest) show(state.newest);
  },
  find: findFrame,
  more: () => {
    const isAll = by("tools").toggleAttribute("data-open");
    by("more").setAttribute("aria-expanded", isAll);
    by("more").textContent = isAll ? "Less" : "More";
  },
  compare: async () => {
    const said = await compare(state.run, state.view?.number);
    if (said) tell(said, true);
  },
  sound: () => button("sound").setAttribute("aria-pressed", toggleSound()),
  theme: () => setTheme(document.documentElement.dataset.theme === "dark" ? "light" : "dark"),
  shortcuts: showShortcuts,
  edit: async () => {
    if (!state.plan.is_there) return tell(NO_PLAN, true);
    const isOn = await editor.toggle();
    button("edit").setAttribute("aria-pressed", isOn);
    if (isOn) tell("Draw a box, or drag one. A second tap opens it; N makes a new one.");
  },
  new: () => editor.isOn && editor.open({ box: [0.45, 0.45, 0.55, 0.55] }),
  dial: () => dial(tell),
  fixed: () => done("/do/fixed"),
  ...Object.fromEntries(Object.keys(questions).map((name) => [name, () => question(name)])),
};

async function question(name) {
  if (!state.view && ["adopt", "mark"].includes(name)) return tell("There is no frame yet.", true);
  await loadPlan();
  if (!state.plan.is_there && name !== "take") return tell(NO_PLAN, true);
  if ((await act(name, { view: state.view, plan: state.plan }, tell)) && name === "undo") editor.setPlan(await loadPlan());
}

// Each shortcut: its key as its button names it, what it does, and words for it.
const shortcuts = [...document.querySelectorAll("[aria-keyshortcuts]")].map((one) => {
  const { do: name, layer, words } = one.dataset;
  return { key: one.getAttribute("aria-keyshortcuts"), press: layer ? () => toggleLayer(layer) : deeds[name], words };
});
if (mayEdit) shortcuts.push({ key: "N", press: deeds.new, words: "New patch while drawing" });

function showShortcuts() {
  const box = check("single", "Single keys work", state.hasKeys);
  box.onchange = (event) => {
    state.hasKeys = event.target.checked;
    localStorage.setItem("shortcuts", state.hasKeys ? "on" : "off");
  };
  const rows = shortcuts.flatMap(({ key, words }) => [html("dt", {}, html("kbd", {}, key.replace("Arrow", ""))), html("dd", {}, words)]);
  return ask({ head: "Shortcuts", body: [box, html("dl", { class: "keys" }, rows)], yes: null, no: "Close" });
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
  const { do: name, layer } = event.target.closest("[data-do], [data-layer]")?.dataset ?? {};
  if (layer) toggleLayer(layer);
  else deeds[name]?.();
});

document.addEventListener("keydown", (event) => {
  if (isOpen() || event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, select, textarea")) return;
  if (event.key.length === 1 && !state.hasKeys && event.key !== "?") return;
  const shortcut = shortcuts.find(({ key }) => key.toLowerCase() === event.key.toLowerCase());
  if (!shortcut) return;
  event.preventDefault();
  shortcut.press();
});

// The first row of parts fills what headline and buttons leave, and focus stays clear of the buttons.
function measure() {
  const root = document.documentElement.style;
  root.setProperty("--above", `${by("main").offsetTop}px`);
  root.setProperty("--tools", `${by("tools").offsetHeight}px`);
}

const resized = new ResizeObserver(() => {
  measure();
  drawHeadline();
  drawLine();
  drawParts();
});
for (const place of [document.body, document.querySelector(".below-headline"), by("tools"), by("ruler"), by("floor")]) resized.observe(place);

// --- begin --------------------------------------------------------------------------------------

setTheme(localStorage.getItem("theme") ?? "dark");
const [start] = await Promise.all([read("/views"), loadPlan()]);
state.run = start.run;
if (start.view) {
  state.newest = start.view;
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
    drawHeadline();
  },
  plan: async () => editor?.setPlan(await loadPlan()),
  note: ({ words }) => note(words),
});
