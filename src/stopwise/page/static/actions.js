// What a person does from the page: one question that shows what stands now, then one deed.
import { ask, check, choice, field } from "./dialog.js";
import { html, signed } from "./draw.js";
import { deed, send } from "./requests.js";

const text = (name, more = {}) => html("input", { name, autocomplete: "off", ...more });
const quiet = (words) => html("p", { class: "quiet" }, words);
const OWN = "the plan's own targets";

const row = (name, ...words) => html("tr", {}, html("th", { scope: "row" }, name), words.map((one) => html("td", {}, one)));
const table = (caption, heads, rows) => html("table", {}, html("caption", {}, caption), heads.length ? html("thead", {}, html("tr", {}, heads.map((one) => html("th", { scope: "col" }, one)))) : null, html("tbody", {}, rows));

// Each question: its words, what it is filled with, what is sent of its answer.
export const questions = {
  adopt: {
    head: ({ view }) => `Adopt frame ${view.number}`,
    fill: async ({ view }) => {
      const answer = await fetch(`/adoption/${view.number}`).catch(() => null);
      if (!answer) return null;
      const found = await answer.json();
      if (!answer.ok) return [html("p", { class: "fault", role: "alert", "data-idle": true }, found.say)];
      if (!found.length) return [html("p", { "data-idle": true }, "Every target is what this frame shows already.")];
      const figure = (value) => (value === null ? "none" : value.toFixed(2));
      return [html("p", {}, `These targets become what ${view.file} shows. The old ones stay in the plan as comments.`), table("What changes", ["Target", "Now", "Then"], found.map(({ of, before, after }) => row(of, figure(before), figure(after))))];
    },
    yes: "Adopt",
    body: ({ view }) => ({ number: view.number }),
  },
  mark: {
    head: ({ view }) => `Mark frame ${view.number}`,
    fill: ({ view, plan }) => {
      const now = Object.entries(plan.parts).filter(([, file]) => nameIn(file) === nameIn(view.file)).map(([part]) => called(part, plan));
      return [quiet(now.length ? `It is marked now as ${now.join(", ")}.` : "It is marked as nothing now."), choice("part", "This frame is", [...plan.marks, ...plan.lights], { words: (part) => called(part, plan) })];
    },
    yes: "Mark",
    body: ({ view }, form) => ({ number: view.number, part: form.get("part") ?? "" }),
  },
  take: {
    head: () => "New take",
    fill: ({ plan }) => {
      const ways = [["none", "Nothing was turned"], ...(plan.said.noticed ? [["yes", `Yes, this was turned: ${plan.said.noticed}`]] : []), ["said", "This was turned, or set on the camera"]];
      const turned = text("turned", { "aria-label": "What was turned", placeholder: plan.lights.length ? `${plan.lights[0]} -0.5, f/8` : "" });
      const list = choice("way", "What was turned", ways.map(([way]) => way), { words: (way) => ways.find(([one]) => one === way)[1] });
      turned.oninput = () => (list.querySelector("[value=said]").checked = true);
      list.append(turned);
      return [list];
    },
    yes: "Begin",
    body: (_, form) => ({ turned: { none: "", yes: "yes", said: form.get("turned") }[form.get("way")] ?? "" }),
  },
  lit: {
    head: () => "Lamps that are meant to be lit",
    fill: ({ plan }) => [html("fieldset", { class: "choice" }, html("legend", {}, "Lit now"), plan.lights.map((lamp) => check("lamp", lamp, !plan.said.lit || plan.said.lit.includes(lamp), lamp)))],
    yes: "Say so",
    body: ({ plan }, form) => ({ lamps: form.getAll("lamp").length === plan.lights.length ? null : form.getAll("lamp") }),
  },
  look: {
    head: () => "Look",
    fill: ({ plan }) => [choice("look", "From the next frame on", ["", ...plan.looks], { words: (look) => look || OWN, now: plan.said.look ?? "" }), field("Or a new one, of the boxes that hold now", text("new", { placeholder: "its clothes, such as in black" }))],
    yes: "Wear it",
    body: (_, form) => ({ look: form.get("look") || null, new: form.get("new").trim() || null }),
  },
  expect: {
    head: () => "Expect",
    fill: ({ plan }) => [
      field("The next frames, in order", text("parts", { value: plan.said.awaited.join(", "), placeholder: ["grey", "ambient", ...plan.lights].join(", ") })),
      quiet(`Parts: ${[...plan.marks, ...plan.lights].join(", ")}.`),
      quiet("Emptied, nothing is awaited any more."),
    ],
    yes: "Expect them",
    body: (_, form) => ({ parts: form.get("parts").split(",").map((part) => part.trim()).filter(Boolean) }),
  },
  undo: {
    head: () => "Undo the last edit",
    fill: () => [html("p", {}, "The last edit of the plan is taken back: with an adoption the take that it began, with a mark what the watch made of it.")],
    yes: "Take it back",
    body: () => ({}),
  },
};

const nameIn = (path) => path.split("/").at(-1);
const called = (part, plan) => (plan.lights.includes(part) ? `solo of ${part}` : part);

// Ask one question about what `about` gives once it is there, and have its answer done.
export async function act(name, title, about, tell) {
  const question = questions[name];
  const doing = deed(`/do/${name}`);
  let known = null;
  const found = await ask({
    head: title,
    fill: async () => {
      known = await about();
      return known && question.fill(known);
    },
    done: (form) => doing(question.body(known, form)),
    yes: question.yes,
  });
  if (found) tell(found.say);
  return Boolean(found);
}

export function find(seek) {
  return ask({
    head: "Find a frame",
    fill: () => [field("Its number, or its file's name", text("name", { required: true }))],
    done: (form) => seek(form.get("name")),
    yes: "Show it",
  });
}

// Ask for powers that meet the plan, and show turns, what they would give, and what stays unmet.
export function dial() {
  return ask({
    head: "Powers from the solos",
    fill: async () => {
      const found = await send("/do/dial");
      if (!found.isDone) return [html("p", { class: "fault", role: "alert" }, found.say)];
      const picture = html("figure", {}, html("img", { src: `/predicted?${Date.now()}`, alt: "The picture that these powers would give" }), html("figcaption", {}, "Predicted, from the solos"));
      const turns = table("Turn", [], found.lamps.map(([name, words]) => row(name, words)));
      const zones = table("Zones then", [], found.zones.map(([name, zone]) => row(name, zone.toFixed(1))));
      return [
        html("h3", {}, found.unmet.length ? "Powers that come nearest to the plan" : "Powers that meet the plan"),
        html("div", { class: "two" }, html("div", {}, turns, zones), found.has_picture ? picture : null),
        found.notes.length ? quiet(found.notes.join(" ")) : null,
        found.unmet.length ? html("ul", { class: "findings" }, found.unmet.map((words) => html("li", {}, html("span", {}, "–"), html("span", {}, words)))) : quiet("Every target is met."),
      ];
    },
    yes: null,
    no: "Close",
    wide: true,
  });
}

// Turns that were said since a frame, as they are told beside it.
export const turnedWords = (turned) => Object.entries(turned).map(([lamp, stops]) => `${lamp} ${signed(stops)}`).join(", ");

