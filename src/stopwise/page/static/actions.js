// What a person does from the page: one question where it needs one, then one request.
import { ask, check, choice, field } from "./dialog.js";
import { html } from "./draw.js";
import { send } from "./requests.js";

const text = (name, more = {}) => html("input", { name, autocomplete: "off", ...more });

// Each question: what is asked, where its answer goes, and what is sent of it.
export const questions = {
  adopt: ({ view }) => ({
    head: "Adopt this frame",
    body: [html("p", {}, `The figures of ${view.file} become the targets of the plan. The old ones stay in it as comments.`)],
    yes: "Adopt",
    with: () => ({ number: view.number }),
  }),
  mark: ({ view, plan }) => ({
    head: `Mark ${view.file}`,
    body: [choice("part", "This frame is", ["grey", "ambient", "plate", "reference", ...plan.lights], (part) => (plan.lights.includes(part) ? `solo of ${part}` : part))],
    yes: "Mark",
    with: (form) => ({ number: view.number, part: form.get("part") }),
  }),
  take: ({ plan }) => ({
    head: "New take",
    body: [
      plan.noticed && check("noticed", `Yes, this was turned: ${plan.noticed}`, true),
      field(plan.noticed ? "Else, what was turned, in stops" : "What was turned, in stops", text("turned", { placeholder: plan.lights.length ? `${plan.lights[0]} -0.5` : "" })),
      html("p", { class: "quiet" }, "Leave it empty if nothing was turned."),
    ],
    yes: "Begin",
    with: (form) => ({ turned: form.get("turned") || (form.has("noticed") ? "yes" : "") }),
  }),
  lit: ({ plan }) => ({
    head: "Lamps that are meant to be lit",
    body: [html("fieldset", { class: "choice" }, html("legend", {}, "Lit now"), plan.lights.map((lamp) => check("lamp", lamp, true, lamp)))],
    yes: "Say so",
    with: (form) => ({ lamps: form.getAll("lamp").length === plan.lights.length ? null : form.getAll("lamp") }),
  }),
  look: ({ plan }) => ({
    head: "Look",
    body: [choice("look", "From the next frame on", ["", ...plan.looks], (look) => look || "the plan's own targets"), field("Or a new one, of the boxes that hold now", text("new", { placeholder: "its clothes, such as in black" }))],
    yes: "Wear it",
    with: (form) => ({ look: form.get("look") || null, new: form.get("new").trim() || null }),
  }),
  expect: ({ plan }) => ({
    head: "Expect",
    body: [field("The next frames, in order", text("parts", { value: ["grey", "ambient", ...plan.lights].join(", ") }))],
    yes: "Expect them",
    with: (form) => ({ parts: form.get("parts").split(",").map((part) => part.trim()).filter(Boolean) }),
  }),
  undo: () => ({
    head: "Undo the last edit",
    body: [html("p", {}, "The last edit of the plan is taken back: with an adoption the take that it began, with a mark what the watch made of it.")],
    yes: "Take it back",
    with: () => ({}),
  }),
};

// Ask one question and have its answer done; false where it was left or refused.
export async function act(name, about, tell) {
  const question = questions[name](about);
  const form = await ask(question);
  if (!form) return false;
  const { say, isDone } = await send(`/do/${name}`, question.with(form));
  tell(say, !isDone);
  return isDone;
}

export async function find() {
  const body = [field("Its number, or its file's name", text("name", { required: true }))];
  return (await ask({ head: "Find a frame", body, yes: "Show it" }))?.get("name");
}

// Ask for powers that meet the plan, and show turns, what they would give, and what stays unmet.
export async function dial(tell) {
  const found = await send("/do/dial");
  if (!found.isDone) return tell(found.say, true);
  const row = (name, words) => html("tr", {}, html("th", { scope: "row" }, name), html("td", {}, words));
  const table = (caption, rows) => html("table", {}, html("caption", {}, caption), html("tbody", {}, rows));
  const turns = found.lamps.map(({ name, words }) => row(name, words));
  const zones = Object.entries(found.patches).map(([name, zone]) => row(name, zone.toFixed(1)));
  const picture = html("figure", {}, html("img", { src: `/predicted?${Date.now()}`, alt: "The picture that these powers would give" }), html("figcaption", {}, "Predicted, from the solos"));
  return ask({
    head: found.unmet.length ? "Powers that come nearest to the plan" : "Powers that meet the plan",
    body: [
      html("div", { class: "two" }, html("div", {}, table("Turn", turns), table("Zones then", zones)), found.has_picture ? picture : null),
      found.notes.length ? html("p", { class: "quiet" }, found.notes.join(" ")) : null,
      found.unmet.length ? html("ul", { class: "findings" }, found.unmet.map((words) => html("li", {}, html("span", {}, "–"), html("span", {}, words)))) : html("p", { class: "quiet" }, "Every target is met."),
    ],
    yes: null,
    no: "Close",
    wide: true,
  });
}
