// Drawing patches and backdrop boxes on the picture, by pointer or keyboard, saved into the plan.
import { THIRD, ask, check, choice, field, select } from "./dialog.js";
import { around, html, placed, svg, widthOf } from "./draw.js";
import { AWAY, corners, pixels } from "./picture.js";

const LEAST = 0.004;
const STEP = 0.005;
const SIDES = ["x0", "y0", "x1", "y1"];
const FIGURES = { zone: "Target zone", within: "Within, stops", headroom: "Headroom, stops" };
const CHECKS = { follow: "Follows the sitter", must_see: "Must be seen" };
const MATERIALS = ["", "skin", "white cloth", "black cloth", "hair", "metal", "paper"];

export class Editor {
  constructor({ picture, send, reload }) {
    Object.assign(this, { picture, send, reload });
    this.isOn = false;
    this.plan = null;
    this.drawn = null;
    this.saved = Promise.resolve(true);
    picture.afterDraw = (to, focused) => this.isOn && this.draw(to, focused);
    const over = picture.over;
    over.addEventListener("pointerdown", (event) => this.press(event));
    over.addEventListener("pointermove", (event) => this.drag(event));
    over.addEventListener("pointerup", (event) => this.release(event));
    over.addEventListener("pointercancel", () => this.drop());
    over.addEventListener("keydown", (event) => this.key(event));
  }

  async toggle() {
    this.isOn = !this.isOn;
    this.picture.isEditing = this.isOn;
    this.picture.over.classList.toggle("editing", this.isOn);
    if (this.isOn) this.plan = await this.reload();
    this.picture.draw();
    return this.isOn;
  }

  setPlan(plan) {
    this.plan = plan;
    if (this.isOn) this.picture.draw();
  }

  // What can be moved: patches by name, and backdrop boxes by number.
  get things() {
    if (!this.plan) return [];
    return [
      ...this.plan.patches.map((patch) => ({ kind: "patch", name: patch.name, box: patch.box, patch })),
      ...this.plan.backdrop.map((box, number) => ({ kind: "backdrop", name: `backdrop ${number + 1}`, box, number })),
    ];
  }

  // Drawing makes every box anew, so the one that had the focus gets it back.
  draw(to, focused) {
    const taken = this.things.filter(({ kind }) => kind === "patch").map(({ box }) => pixels(box, to));
    const parts = this.things.map((thing) => this.thing(thing, to, taken));
    if (this.drawn && !this.drawn.thing) parts.push(svg("g", {}, ...corners(pixels(this.drawn.box, to), "corner drawing")));
    this.picture.over.append(...parts);
    if (focused) this.focus(focused);
  }

  thing(thing, to, taken) {
    const box = this.drawn?.thing?.name === thing.name ? this.drawn.box : thing.box;
    const [x0, y0, x1, y1] = pixels(box, to);
    const grip = (x, y, corner) => svg("rect", { x: x - 6, y: y - 6, width: 12, height: 12, class: "grip", "data-corner": corner });
    return svg(
      "g",
      { class: `thing ${thing.kind}`, tabindex: 0, role: "button", "data-name": thing.name, "aria-label": `${thing.name}: arrows move, Shift and arrows size, Enter opens, Delete takes out` },
      svg("rect", { x: x0, y: y0, width: x1 - x0, height: y1 - y0, class: "inside" }),
      ...corners([x0, y0, x1, y1], "corner"),
      svg("rect", { x: x0 - 4, y: y0 - 4, width: x1 - x0 + 8, height: y1 - y0 + 8, class: "ring" }),
      ...[grip(x0, y0, "0 1"), grip(x1, y0, "2 1"), grip(x0, y1, "0 3"), grip(x1, y1, "2 3")],
      this.named(thing, [x0, y0, x1, y1], taken),
    );
  }

  // A name stands beside its box where it covers no other; a backdrop's stands in its corner.
  named({ kind, name }, box, taken) {
    const size = [widthOf(name, 14, 600) + 6, 18];
    const tried = kind === "backdrop" ? [[box[0] + 5, box[1] + 3]] : around(box, size, AWAY);
    const [x, y] = placed(tried, size, taken, this.picture.box);
    return svg("text", { x: x + 3, y: y + 14 }, name);
  }

  under(event) {
    const group = event.target.closest?.(".thing") ?? null;
    return [group, group && this.things.find((one) => one.name === group.dataset.name)];
  }

  at(event) {
    const edge = this.picture.over.getBoundingClientRect();
    return [within((event.clientX - edge.left) / edge.width), within((event.clientY - edge.top) / edge.height)];
  }

  press(event) {
    if (!this.isOn || event.button !== 0) return;
    const [group, thing] = this.under(event);
    const start = this.at(event);
    const corner = event.target.dataset.corner?.split(" ").map(Number) ?? null;
    const isAgain = group !== null && group === document.activeElement;
    this.drawn = { start, isAgain, thing: thing ?? null, corner, box: thing ? [...thing.box] : [...start, ...start], first: thing && [...thing.box] };
    this.picture.over.setPointerCapture(event.pointerId);
    event.preventDefault();
    if (group) group.focus({ preventScroll: true });
  }

  drag(event) {
    if (!this.drawn) return;
    const [x, y] = this.at(event);
    const { start, thing, corner, first } = this.drawn;
    if (!thing) this.drawn.box = ordered([...start, x, y]);
    else if (corner) this.drawn.box = first.map((value, place) => (place === corner[0] ? x : place === corner[1] ? y : value));
    else this.drawn.box = moved(first, x - start[0], y - start[1]);
    this.picture.draw();
  }

  async release() {
    const drawn = this.drawn;
    this.drop();
    if (!drawn) return;
    const box = ordered(drawn.box);
    if (!drawn.thing) {
      if (isLarge(box)) await this.open({ box });
    } else if (isLarge(box) && box.some((value, place) => Math.abs(value - drawn.thing.box[place]) > 1e-6)) {
      await this.saveBox(drawn.thing, box);
    } else if (drawn.isAgain) {
      await this.open(drawn.thing);
    } else {
      this.focus(drawn.thing.name);
    }
  }

  drop() {
    this.drawn = null;
    if (this.isOn) this.picture.draw();
  }

  async key(event) {
    const [, thing] = this.under(event);
    const taken = { Enter: () => this.open(thing), " ": () => this.open(thing), Delete: () => this.takeOut(thing), Backspace: () => this.takeOut(thing) };
    const way = { ArrowLeft: [-STEP, 0], ArrowRight: [STEP, 0], ArrowUp: [0, -STEP], ArrowDown: [0, STEP] }[event.key];
    if (!thing || !(way || taken[event.key])) return;
    event.preventDefault();
    event.stopPropagation();
    if (!way) return taken[event.key]();
    const [x0, y0, x1, y1] = thing.box;
    const box = event.shiftKey ? ordered([x0, y0, within(x1 + way[0]), within(y1 + way[1])]) : moved(thing.box, ...way);
    if (isLarge(box)) await this.saveBox(thing, box);
  }

  focus(name) {
    [...this.picture.over.querySelectorAll(".thing")].find((one) => one.dataset.name === name)?.focus({ preventScroll: true });
  }

  // Send an edit once the one before it is saved, and draw what the plan then says.
  save(to, body, name) {
    this.saved = this.saved.then(async () => {
      const isDone = await this.send(to, body());
      this.setPlan(await this.reload());
      if (name) this.focus(name);
      return isDone;
    });
    return this.saved;
  }

  saveBackdrop(changed, name) {
    return this.save("/do/backdrop", () => ({ boxes: changed(this.plan.backdrop), was: this.plan.backdrop }), name);
  }

  savePatch({ name, patch }, values) {
    return this.save("/do/patch", () => ({ name, look: patch.look, values, was: patch }), values.name ?? name);
  }

  saveBox(thing, box) {
    if (thing.kind === "patch") return this.savePatch(thing, { box });
    return this.saveBackdrop((boxes) => boxes.map((one, number) => (number === thing.number ? box : one)), thing.name);
  }

  takeOut(thing) {
    if (thing.kind === "patch") return this.save("/do/delete_patch", () => ({ name: thing.name, look: thing.patch.look }));
    return this.saveBackdrop((boxes) => boxes.filter((_, number) => number !== thing.number));
  }

  // A form for a new box, or for a patch or backdrop box that is there.
  async open(thing) {
    const isNew = !thing.kind;
    const before = thing.patch ?? { name: "", box: thing.box };
    const answer = await ask({
      head: isNew ? "New patch" : thing.name,
      body: thing.kind === "backdrop" ? [edges(thing.box)] : fields(before, isNew),
      yes: "Save",
      third: isNew ? null : "Take it out",
      wrong: (form) => (thing.kind !== "backdrop" && form.get("kind") !== "Backdrop box" && !form.get("name").trim() ? "Give it a name." : ""),
    });
    if (answer === THIRD) return this.takeOut(thing);
    if (!answer) return this.focus(thing.name);
    if (thing.kind === "backdrop") return this.saveBox(thing, boxOf(answer));
    if (answer.get("kind") === "Backdrop box") return this.saveBackdrop((boxes) => [...boxes, boxOf(answer)]);
    const values = valuesOf(answer);
    if (!isNew) return this.savePatch(thing, values);
    return this.save("/do/patch", () => ({ name: values.name, look: this.plan.look, values, was: null }), values.name);
  }
}

const isLarge = ([x0, y0, x1, y1]) => x1 - x0 >= LEAST && y1 - y0 >= LEAST;
const within = (value) => Math.min(1, Math.max(0, value));
const ordered = ([x0, y0, x1, y1]) => [Math.min(x0, x1), Math.min(y0, y1), Math.max(x0, x1), Math.max(y0, y1)];

function moved([x0, y0, x1, y1], dx, dy) {
  const x = Math.min(Math.max(dx, -x0), 1 - x1);
  const y = Math.min(Math.max(dy, -y0), 1 - y1);
  return [x0 + x, y0 + y, x1 + x, y1 + y];
}

const number = (name, label, more) => field(label, html("input", { name, type: "number", step: "any", ...more }));
const row = (...parts) => html("div", { class: "row" }, ...parts);

// Both ends of a box: what step they have doesn't matter, so that a box drawn by hand is kept.
const edges = (box) => row(...["Left", "Top", "Right", "Bottom"].map((label, place) => number(SIDES[place], label, { min: 0, max: 1, value: box[place].toFixed(4), required: true })));
const boxOf = (form) => ordered(SIDES.map((name) => Number(form.get(name))));

function fields(values, isNew) {
  return [
    isNew ? choice("kind", "What it is", ["Patch", "Backdrop box"]) : null,
    field("Name", html("input", { name: "name", value: values.name, maxlength: 80, autocomplete: "off", autofocus: true })),
    field("Material", select("material", MATERIALS, values.material ?? "", (one) => one || "none")),
    row(...Object.entries(FIGURES).map(([name, label]) => number(name, label, { value: values[name] ?? "" }))),
    edges(values.box),
    row(...Object.entries(CHECKS).map(([name, label]) => check(name, label, values[name]))),
  ];
}

function valuesOf(form) {
  const figures = Object.keys(FIGURES).map((key) => [key, form.get(key) === "" ? null : Number(form.get(key))]);
  const checks = Object.keys(CHECKS).map((key) => [key, form.has(key)]);
  return { name: form.get("name").trim(), box: boxOf(form), material: form.get("material") || null, ...Object.fromEntries([...figures, ...checks]) };
}
