// Drawing patches and backdrop boxes on one frozen frame: a draft of one's own until it is saved.
import { ask, check, choice, field, select } from "./dialog.js";
import { around, by, cut, html, mark, placed, svg, widthOf } from "./draw.js";
import { AWAY, corners, pixels } from "./picture.js";
import { deed, read, send } from "./requests.js";

const LEAST = 0.004; // of a side: a smaller box was none
const STEP = 0.005; // of a side, a press of an arrow
const SLOP = 8; // CSS pixels that a finger rolls before it means a move
const HANDLE = 44; // CSS pixels, outside of the box
const MEASURE_MS = 250; // a draft at rest that long is measured
const SIDES = ["x0", "y0", "x1", "y1"];
const FIGURES = { zone: "Target zone", within: "Within, stops", headroom: "Headroom, stops" };
const MATERIALS = ["", "skin", "white cloth", "black cloth", "hair", "metal", "paper"];
const NEEDED = { "": "the usual", yes: "yes", no: "no" };

const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);

export class Drawing {
  constructor({ picture, tell, changed, hasKeys }) {
    Object.assign(this, { picture, tell, changed, hasKeys });
    this.isOn = false;
    this.things = [];
    picture.afterDraw = (to, focused) => this.isOn && this.draw(to, focused);
    const over = picture.over;
    over.addEventListener("pointerdown", (event) => this.press(event));
    over.addEventListener("pointermove", (event) => this.drag(event));
    over.addEventListener("pointerup", (event) => this.release(event));
    over.addEventListener("pointercancel", () => this.drop());
    over.addEventListener("focusin", (event) => this.select(event.target.closest(".thing")?.dataset.id ?? this.chosen));
    document.addEventListener("keydown", (event) => this.isOn && this.key(event), true);
    by("drawing").addEventListener("click", (event) => this.deeds[event.target.closest("[data-draw]")?.dataset.draw]?.());
    this.deeds = { new: () => this.open({ box: [0.45, 0.45, 0.55, 0.55] }), open: () => this.openChosen(), out: () => this.takeOut(), back: () => this.back(), save: () => this.save(), cancel: () => this.cancel() };
  }

  // Begin on a frame, which stays until drawing ends, with its look's patches.
  async begin(view) {
    const plan = await read(address(view.look));
    if (!plan?.is_there) return this.tell(plan === undefined ? "Cut off from the watch: drawing can't begin." : "This watch has no plan. Start it with --plan.", true);
    Object.assign(this, { isOn: true, number: view.number, frame: view, look: plan.look, plan, history: [], chosen: null, drawn: null, measured: new Map(), deed: null, revision: 0 });
    this.things = fromPlan(plan);
    this.picture.isDrawing = true;
    this.picture.over.classList.add("drawing-on");
    this.show();
    this.changed();
    this.measure();
  }

  end() {
    this.isOn = false;
    this.things = [];
    this.picture.isDrawing = false;
    this.picture.over.classList.remove("drawing-on");
    clearTimeout(this.measuring);
    this.picture.draw();
    this.changed();
  }

  // The plan was read again, perhaps since another browser wrote it: what is the same here becomes as
  // it is there, what was drawn here stays, and is said to differ.
  async planChanged() {
    if (!this.isOn) return;
    const plan = await read(address(this.look));
    if (!this.isOn || !plan?.is_there) return;
    const theirs = fromPlan(plan);
    const mine = this.things.filter(isChanged);
    const clashing = mine.filter((thing) => thing.was && !same(theirs.find((one) => nameOf(one) === thing.was.name)?.was, thing.was));
    this.plan = plan;
    this.things = [...theirs.filter((one) => !mine.some((thing) => (thing.was ? thing.was.name === one.was.name && thing.kind === one.kind : false))), ...mine];
    if (clashing.length) this.tell(`${clashing.map(nameOf).join(", ")} was changed elsewhere meanwhile. What you drew stays here: Save writes yours, Cancel leaves theirs.`, true);
    this.show();
  }

  show() {
    this.picture.draw();
    const edits = this.things.filter(isChanged).length;
    by("draw-save").disabled = !edits;
    by("draw-back").disabled = !this.history.length;
    for (const id of ["draw-open", "draw-out"]) by(id).disabled = !this.chosen;
    by("draw-state").textContent = edits ? `${edits} to save` : "Nothing to save";
  }

  // One change of the draft, which one press takes back.
  change(id, now) {
    this.history.push(this.things.map((thing) => ({ ...thing })));
    const at = this.things.findIndex((thing) => thing.id === id);
    if (at < 0) this.things.push({ id, ...now });
    else this.things[at] = { ...this.things[at], now };
    this.revision += 1;
    this.deed = null;
    this.show();
    clearTimeout(this.measuring);
    this.measuring = setTimeout(() => this.measure(), MEASURE_MS);
  }

  back() {
    if (!this.history.length) return;
    this.things = this.history.pop();
    this.revision += 1;
    this.deed = null;
    this.show();
    this.measure();
  }

  get edits() {
    const patches = this.things.filter((thing) => thing.kind === "patch" && isChanged(thing)).map(({ was, now }) => ({ was, now }));
    const boxes = this.things.filter(({ kind }) => kind === "backdrop");
    const backdrop = boxes.some(isChanged) ? { was: this.plan.backdrop, now: boxes.filter(({ now }) => now).map(({ now }) => now.box) } : null;
    return { look: this.look, patches, backdrop };
  }

  // The frozen frame's figures with the boxes as they stand in the draft.
  async measure() {
    const { revision, number } = this;
    const found = await send("/do/measure", { number, edits: this.edits });
    if (!this.isOn || revision !== this.revision || found.number !== number) return;
    if (!found.isDone) return;
    this.measured = new Map(found.patches.map((patch) => [patch.name, patch]));
    this.show();
  }

  async save() {
    if (!this.things.some(isChanged)) return;
    this.deed ??= deed("/do/draw"); // pressed again after an answer was lost, it is done once
    const found = await this.deed({ edits: this.edits });
    if (found.isDone) {
      this.tell(found.say);
      return this.end();
    }
    if (found.code === 409) await this.rebase(); // before it is told: Save pressed again at once writes
    this.tell(`${found.say} What you drew stays here.`, true);
  }

  // What is written next is held against the plan as it stands now, which was just shown.
  async rebase() {
    const plan = await read(address(this.look));
    if (!plan?.is_there) return;
    const theirs = new Map(fromPlan(plan).map((thing) => [`${thing.kind} ${nameOf(thing)}`, thing.was]));
    for (const thing of this.things.filter(isChanged)) thing.was = theirs.get(`${thing.kind} ${thing.was?.name ?? nameOf(thing)}`) ?? null;
    this.plan = plan;
    this.deed = null;
    this.show();
  }

  async cancel() {
    if (!this.things.some(isChanged)) return this.end();
    const found = await ask({ head: "Leave what was drawn?", fill: () => [html("p", {}, "What isn't saved is lost. The plan stays as it is.")], yes: "Leave it", no: "Go on drawing", done: () => ({ isDone: true }) });
    if (found) this.end();
  }

  // --- what stands on the picture ---------------------------------------------------------------

  draw(to, focused) {
    const room = this.picture.box;
    const there = this.things.filter(({ now }) => now);
    const taken = there.filter(({ kind }) => kind === "patch").map(({ now }) => pixels(now.box, to));
    const parts = [...there].sort((one, other) => (one.id === this.chosen) - (other.id === this.chosen)).map((thing) => this.thing(thing, to, taken, room));
    if (this.drawn?.isMoving && !this.drawn.thing) parts.push(svg("g", {}, ...corners(pixels(this.drawn.box, to), "corner")));
    this.picture.over.append(...parts);
    if (focused) this.focus(focused);
  }

  thing(thing, to, taken, room) {
    const box = pixels(this.drawn?.isMoving && this.drawn.thing?.id === thing.id ? this.drawn.box : thing.now.box, to);
    const [x0, y0, x1, y1] = box;
    const scale = room[0] / (this.picture.frame.clientWidth || room[0]); // units of the drawing in a CSS pixel
    const reach = HANDLE * scale;
    const handle = (x, y, across, down, corner) => [
      svg("rect", { x: across < 0 ? x - reach : x, y: down < 0 ? y - reach : y, width: reach, height: reach, class: "grip", "data-corner": corner }),
      svg("rect", { x: x + across * 9 - 6, y: y + down * 9 - 6, width: 12, height: 12, class: "knob" }),
    ];
    const isChosen = thing.id === this.chosen;
    const handles = [[x0, y0, -1, -1, "0 1"], [x1, y0, 1, -1, "2 1"], [x0, y1, -1, 1, "0 3"], [x1, y1, 1, 1, "2 3"]].flatMap((one) => handle(...one));
    return svg(
      "g",
      { class: `thing ${thing.kind}${isChosen ? " chosen" : ""}`, tabindex: 0, role: "button", "data-id": thing.id, "data-name": nameOf(thing), "aria-pressed": isChosen, "aria-label": `${nameOf(thing)}: arrows move, Shift and arrows size, Enter opens, Delete takes out` },
      svg("rect", { x: x0, y: y0, width: x1 - x0, height: y1 - y0, class: "inside" }),
      ...corners(box, "corner"),
      svg("rect", { x: x0 - 4, y: y0 - 4, width: x1 - x0 + 8, height: y1 - y0 + 8, class: "ring" }),
      ...(isChosen ? handles : []),
      this.named(thing, box, taken, room),
    );
  }

  // A name with its figure stands beside its box where it covers no other; a backdrop's in its corner.
  named(thing, box, taken, room) {
    const found = thing.kind === "patch" ? (this.measured.get(nameOf(thing)) ?? null) : null;
    const words = cut(`${nameOf(thing)}${found ? `  ${found.figure}` : ""}`, room[0] - 40, 14, 600);
    const size = [widthOf(words, 14, 600) + (found?.sign.shape ? 24 : 6), 20];
    const tried = thing.kind === "backdrop" ? [[box[0] + 5, box[1] + 3]] : around(box, size, AWAY);
    const [x, y] = placed(tried, size, taken, room);
    const sign = found?.sign.shape ? mark(found.sign.shape, found.sign.role, { x: x + 9, y: y + 10, size: 13 }) : null;
    return svg("g", { class: "name" }, sign, svg("text", { x: x + (sign ? 20 : 3), y: y + 15 }, words));
  }

  select(id) {
    if (!this.isOn || id === this.chosen) return;
    this.chosen = id;
    this.show();
    if (id) this.focus(id);
  }

  focus(id) {
    this.picture.over.querySelector(`.thing[data-id="${CSS.escape(id)}"]`)?.focus({ preventScroll: true });
  }

  // --- pointer and keys -------------------------------------------------------------------------

  at(event) {
    const edge = this.picture.over.getBoundingClientRect();
    return [within((event.clientX - edge.left) / edge.width), within((event.clientY - edge.top) / edge.height)];
  }

  press(event) {
    if (!this.isOn || event.button !== 0 || this.drawn) return;
    const id = event.target.closest?.(".thing")?.dataset.id;
    const thing = this.things.find((one) => one.id === id) ?? null;
    const corner = event.target.dataset.corner?.split(" ").map(Number) ?? null;
    const start = this.at(event);
    this.drawn = { pointer: event.pointerId, start, from: [event.clientX, event.clientY], thing, corner, isAgain: Boolean(thing) && thing.id === this.chosen, box: thing ? thing.now.box : [...start, ...start], isMoving: false };
    this.picture.over.setPointerCapture(event.pointerId);
    event.preventDefault();
    if (thing) this.select(thing.id);
  }

  drag(event) {
    const drawn = this.drawn;
    if (!drawn || event.pointerId !== drawn.pointer) return;
    const away = Math.hypot(event.clientX - drawn.from[0], event.clientY - drawn.from[1]);
    if (!drawn.isMoving && away < SLOP) return;
    drawn.isMoving = true;
    const [x, y] = this.at(event);
    const [dx, dy] = [x - drawn.start[0], y - drawn.start[1]];
    const first = drawn.thing?.now.box;
    if (!drawn.thing) drawn.box = ordered([...drawn.start, x, y]);
    else if (drawn.corner) drawn.box = first.map((value, place) => (place === drawn.corner[0] ? within(value + dx) : place === drawn.corner[1] ? within(value + dy) : value));
    else drawn.box = moved(first, dx, dy);
    this.picture.draw();
  }

  release(event) {
    const drawn = this.drawn;
    if (!drawn || event.pointerId !== drawn.pointer) return;
    this.drop();
    const box = ordered(drawn.box);
    if (drawn.isMoving && !isLarge(box)) return;
    if (!drawn.thing) {
      if (drawn.isMoving) this.open({ box });
      else this.select(null);
    } else if (drawn.isMoving) this.change(drawn.thing.id, { ...drawn.thing.now, box });
    else if (drawn.isAgain) this.openChosen();
    this.focus(drawn.thing?.id ?? "");
  }

  drop() {
    this.drawn = null;
    if (this.isOn) this.picture.draw();
  }

  key(event) {
    if (document.querySelector("dialog[open]") || event.target.matches?.("input, select, textarea")) return;
    const isUndo = event.key.toLowerCase() === "z" && (event.ctrlKey || event.metaKey);
    if ((event.ctrlKey || event.metaKey || event.altKey) && !isUndo) return;
    if (event.key.length === 1 && event.key !== " " && !isUndo && !this.hasKeys()) return;
    const way = { ArrowLeft: [-STEP, 0], ArrowRight: [STEP, 0], ArrowUp: [0, -STEP], ArrowDown: [0, STEP] }[event.key];
    const onThing = event.target.closest?.(".thing");
    const thing = this.things.find((one) => one.id === (onThing?.dataset.id ?? this.chosen));
    const done = {
      Escape: () => (this.drawn ? this.drop() : this.cancel()),
      n: this.deeds.new,
      u: this.deeds.back,
      z: isUndo ? this.deeds.back : null,
      p: this.deeds.cancel,
      s: this.deeds.save,
      Enter: onThing ? this.deeds.open : null,
      " ": onThing ? this.deeds.open : null,
      Delete: thing ? this.deeds.out : null,
      Backspace: thing ? this.deeds.out : null,
    }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (way && thing) this.nudge(thing, way, event.shiftKey);
    else if (done) done();
    if (!done && !way && event.key.length > 1) return; // Tab and the like do what they do
    event.stopPropagation();
    if (done || way) event.preventDefault();
  }

  nudge(thing, way, isSizing) {
    const [x0, y0, x1, y1] = thing.now.box;
    const box = isSizing ? ordered([x0, y0, within(x1 + way[0]), within(y1 + way[1])]) : moved(thing.now.box, ...way);
    if (isLarge(box)) this.change(thing.id, { ...thing.now, box });
  }

  // --- the form of one box ----------------------------------------------------------------------

  openChosen() {
    const thing = this.things.find(({ id }) => id === this.chosen);
    return thing?.now && this.open(thing);
  }

  takeOut() {
    const thing = this.things.find(({ id }) => id === this.chosen);
    if (!thing?.now) return;
    this.chosen = null;
    this.change(thing.id, null);
  }

  async open(thing) {
    const isNew = !thing.id;
    const values = isNew ? { name: "", box: thing.box, material: null, zone: null, within: null, headroom: null, follow: false, must_see: null, lit_by: [] } : thing.now;
    const isBackdrop = (form) => (isNew ? form.get("kind") === "Backdrop box" : thing.kind === "backdrop");
    await ask({
      head: isNew ? "New patch" : nameOf(thing),
      fill: () => (thing.kind === "backdrop" ? [edges(thing.now.box)] : fields(values, isNew, this.plan.lights)),
      yes: "Keep",
      third: isNew ? null : ["Take it out", () => (this.takeOut(), { isDone: true })],
      done: (form) => {
        const kind = isBackdrop(form) ? "backdrop" : "patch";
        const now = kind === "patch" ? valuesOf(form, values) : { ...thing.now, box: boxOf(form) };
        if (kind === "patch" && !now.name) return { isDone: false, say: "Give it a name.", field: "name" };
        if (kind === "patch" && this.things.some((one) => one.id !== thing.id && one.kind === kind && one.now?.name === now.name)) return { isDone: false, say: `There is a patch called ${now.name} already.`, field: "name" };
        const id = thing.id ?? `new ${this.revision + 1}`;
        this.chosen = id;
        this.change(id, isNew ? { kind, was: null, now } : now);
        return { isDone: true };
      },
    });
    this.focus(this.chosen ?? "");
  }
}

const address = (look) => `/plan${look ? `?look=${encodeURIComponent(look)}` : ""}`;

// What can be drawn: patches by name, backdrop boxes by number, each as it was and as it becomes.
function fromPlan(plan) {
  return [
    ...plan.patches.map(({ values }) => ({ id: `patch ${values.name}`, kind: "patch", was: values, now: values })),
    ...plan.backdrop.map((box, number) => ({ id: `backdrop ${number}`, kind: "backdrop", was: { name: `backdrop ${number + 1}`, box }, now: { name: `backdrop ${number + 1}`, box } })),
  ];
}

const isChanged = ({ was, now }) => !same(was, now);
const nameOf = ({ was, now, kind }) => now?.name ?? was?.name ?? (kind === "backdrop" ? "backdrop" : "patch");

const isLarge = ([x0, y0, x1, y1]) => x1 - x0 >= LEAST && y1 - y0 >= LEAST;
const within = (value) => Math.min(1, Math.max(0, value));
const ordered = ([x0, y0, x1, y1]) => [Math.min(x0, x1), Math.min(y0, y1), Math.max(x0, x1), Math.max(y0, y1)].map((side) => Number(side.toFixed(4)));

function moved([x0, y0, x1, y1], dx, dy) {
  const x = Math.min(Math.max(dx, -x0), 1 - x1);
  const y = Math.min(Math.max(dy, -y0), 1 - y1);
  return [x0 + x, y0 + y, x1 + x, y1 + y].map((side) => Number(side.toFixed(4)));
}

const number = (name, label, more) => field(label, html("input", { name, type: "number", step: "any", ...more }));
const row = (...parts) => html("div", { class: "row" }, ...parts);

// Both ends of a box: what step they have doesn't matter, so that a box drawn by hand is kept.
const edges = (box) => row(...["Left", "Top", "Right", "Bottom"].map((label, place) => number(SIDES[place], label, { min: 0, max: 1, value: box[place].toFixed(4), required: true })));
const boxOf = (form) => ordered(SIDES.map((name) => Number(form.get(name))));

function fields(values, isNew, lights) {
  return [
    isNew ? choice("kind", "What it is", ["Patch", "Backdrop box"], { now: "Patch" }) : null,
    field("Name", html("input", { name: "name", value: values.name, maxlength: 80, autocomplete: "off", autofocus: true })),
    field("Material", select("material", MATERIALS, values.material ?? "", (one) => one || "none")),
    row(...Object.entries(FIGURES).map(([name, label]) => number(name, label, { value: values[name] ?? "" }))),
    lights.length ? html("fieldset", { class: "choice" }, html("legend", {}, "Lit by"), lights.map((lamp) => check("lit_by", lamp, values.lit_by.includes(lamp), lamp))) : null,
    row(check("follow", "Follows the sitter", values.follow), field("Must be seen", select("must_see", Object.keys(NEEDED), { true: "yes", false: "no" }[values.must_see] ?? "", (one) => NEEDED[one]))),
    edges(values.box),
  ];
}

function valuesOf(form, before) {
  const figures = Object.fromEntries(Object.keys(FIGURES).map((key) => [key, form.get(key) === "" ? null : Number(form.get(key))]));
  const mustSee = { "": null, yes: true, no: false }[form.get("must_see")];
  return { ...before, name: form.get("name").trim(), box: boxOf(form), material: form.get("material") || null, ...figures, follow: form.has("follow"), must_see: mustSee, lit_by: form.getAll("lit_by") };
}
