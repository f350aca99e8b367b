// Drawing patches and backdrop boxes on the picture, by pointer or keyboard, saved into the plan.
import { THIRD } from "./dialog.js";
import { corners, free } from "./picture.js";
import { html, svg, widthOf } from "./draw.js";

const LEAST = 0.004;
const STEP = 0.005;
const MATERIALS = ["", "skin", "white cloth", "black cloth", "hair", "metal", "paper"];

export class Editor {
  constructor({ picture, ask, send, reload }) {
    Object.assign(this, { picture, ask, send, reload });
    this.isOn = false;
    this.plan = null;
    this.drawn = null;
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
      grip(x0, y0, "0 1"),
      grip(x1, y0, "2 1"),
      grip(x0, y1, "0 3"),
      grip(x1, y1, "2 3"),
      this.named(thing, [x0, y0, x1, y1], taken),
    );
  }

  // A name stands beside its box where it covers no other; a backdrop's stands in its corner.
  named({ kind, name }, box, taken) {
    const size = [widthOf(name, 14, 600) + 6, 18];
    const [x, y] = kind === "backdrop" ? [box[0] + 5, box[1] + 3] : free(box, size, taken, this.picture.box);
    taken.push([x, y, x + size[0], y + size[1]]);
    return svg("text", { x: x + 3, y: y + 14 }, name);
  }

  at(event) {
    const edge = this.picture.over.getBoundingClientRect();
    return [within((event.clientX - edge.left) / edge.width), within((event.clientY - edge.top) / edge.height)];
  }

  press(event) {
    if (!this.isOn || event.button !== 0) return;
    const group = event.target.closest(".thing");
    const thing = group && this.things.find((one) => one.name === group.dataset.name);
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
    const isLarge = box[2] - box[0] >= LEAST && box[3] - box[1] >= LEAST;
    if (!drawn.thing) {
      if (isLarge) await this.open({ box });
    } else if (isLarge && box.some((value, place) => Math.abs(value - drawn.thing.box[place]) > 1e-6)) {
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
    const group = event.target.closest?.(".thing");
    const thing = group && this.things.find((one) => one.name === group.dataset.name);
    if (!thing) return;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (way) {
      event.preventDefault();
      event.stopPropagation();
      const [dx, dy] = way.map((part) => part * STEP);
      const [x0, y0, x1, y1] = thing.box;
      const box = event.shiftKey ? ordered([x0, y0, within(x1 + dx), within(y1 + dy)]) : moved(thing.box, dx, dy);
      if (box[2] - box[0] >= LEAST && box[3] - box[1] >= LEAST) await this.saveBox(thing, box);
    } else if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      event.stopPropagation();
      await this.open(thing);
    } else if (event.key === "Delete" || event.key === "Backspace") {
      event.preventDefault();
      event.stopPropagation();
      await this.takeOut(thing);
    }
  }

  focus(name) {
    [...this.picture.over.querySelectorAll(".thing")].find((one) => one.dataset.name === name)?.focus({ preventScroll: true });
  }

  async saveBox(thing, box) {
    const was = this.plan.backdrop.map((one) => [...one]);
    const before = [...thing.box];
    const done =
      thing.kind === "patch"
        ? await this.send("/do/patch", { name: thing.name, look: thing.patch.look, values: { box }, was: { ...thing.patch } })
        : await this.send("/do/backdrop", { boxes: was.map((one, number) => (number === thing.number ? box : one)), was });
    if (!done) thing.box.splice(0, 4, ...before);
    this.setPlan(await this.reload());
    this.focus(thing.name);
  }

  async takeOut(thing) {
    if (thing.kind === "patch") await this.send("/do/patch/delete", { name: thing.name, look: thing.patch.look });
    else await this.send("/do/backdrop", { boxes: this.plan.backdrop.filter((_, number) => number !== thing.number), was: this.plan.backdrop });
    this.setPlan(await this.reload());
  }

  // A form for a new box, or for a patch or backdrop box that is there.
  async open(thing) {
    const isNew = !thing.kind;
    const values = thing.patch ?? { name: "", box: thing.box, material: "", zone: null, within: null, headroom: null, follow: false, must_see: false };
    const answer = await this.ask({
      head: isNew ? "New patch" : thing.name,
      body: thing.kind === "backdrop" ? [edges(thing.box)] : fields(values, isNew),
      yes: "Save",
      third: isNew ? null : "Take it out",
      check: (form) => (thing.kind !== "backdrop" && form.get("kind") !== "backdrop" && !String(form.get("name")).trim() ? "Give it a name." : ""),
    });
    if (answer === THIRD) return this.takeOut(thing);
    if (!answer) return this.focus(thing.name);
    if (thing.kind === "backdrop") return this.saveBox(thing, boxOf(answer));
    if (answer.get("kind") === "backdrop") {
      await this.send("/do/backdrop", { boxes: [...this.plan.backdrop, boxOf(answer)], was: this.plan.backdrop });
    } else {
      const name = String(answer.get("name")).trim();
      await this.send("/do/patch", { name: isNew ? name : values.name, look: isNew ? this.plan.look : values.look, values: valuesOf(answer, name), was: isNew ? null : { ...thing.patch } });
    }
    this.setPlan(await this.reload());
    this.focus(String(answer.get("name")).trim());
  }
}

const within = (value) => Math.min(1, Math.max(0, value));
const ordered = ([x0, y0, x1, y1]) => [Math.min(x0, x1), Math.min(y0, y1), Math.max(x0, x1), Math.max(y0, y1)];
const pixels = ([x0, y0, x1, y1], to) => [...to([x0, y0]), ...to([x1, y1])];

function moved([x0, y0, x1, y1], dx, dy) {
  const x = Math.min(Math.max(dx, -x0), 1 - x1);
  const y = Math.min(Math.max(dy, -y0), 1 - y1);
  return [x0 + x, y0 + y, x1 + x, y1 + y];
}

function fields(values, isNew) {
  const number = (name, label) =>
    html("label", {}, label, html("input", { name, type: "number", step: "any", value: values[name] ?? "" }));
  return [
    isNew
      ? html("fieldset", { class: "choice" }, html("legend", {}, "What it is"), html("label", {}, html("input", { type: "radio", name: "kind", value: "patch", checked: true }), "Patch"), html("label", {}, html("input", { type: "radio", name: "kind", value: "backdrop" }), "Backdrop box"))
      : null,
    html("label", {}, "Name", html("input", { name: "name", value: values.name, maxlength: 80, autocomplete: "off", autofocus: true })),
    html("label", {}, "Material", html("select", { name: "material" }, ...MATERIALS.map((one) => html("option", { value: one, selected: one === (values.material ?? "") }, one || "none")))),
    html("div", { class: "row" }, number("zone", "Target zone"), number("within", "Within, stops"), number("headroom", "Headroom, stops")),
    edges(values.box),
    html("div", { class: "row" }, check("follow", "Follows the sitter", values.follow), check("must_see", "Must be seen", values.must_see)),
  ].filter(Boolean);
}

// Both ends of a box: what step they have doesn't matter, so that a box drawn by hand is kept.
const edges = (box) =>
  html("div", { class: "row" }, ...["x0", "y0", "x1", "y1"].map((name, place) => html("label", {}, ["Left", "Top", "Right", "Bottom"][place], html("input", { name, type: "number", step: "any", min: 0, max: 1, value: box[place].toFixed(4), required: true }))));
const check = (name, label, isOn) => html("label", { class: "check" }, html("input", { type: "checkbox", name, checked: isOn }), label);
const boxOf = (form) => ordered(["x0", "y0", "x1", "y1"].map((name) => Number(form.get(name))));

function valuesOf(form, name) {
  const number = (key) => (form.get(key) === "" ? null : Number(form.get(key)));
  return {
    name,
    box: boxOf(form),
    material: form.get("material") || null,
    zone: number("zone"),
    within: number("within"),
    headroom: number("headroom"),
    follow: form.has("follow"),
    must_see: form.has("must_see"),
  };
}
