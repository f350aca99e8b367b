// What a person does from the page: one question where it needs one, then one request.
import { ask } from "./dialog.js";
import { html } from "./draw.js";

export async function send(address, body, tell) {
  try {
    const answer = await fetch(address, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
    const said = answer.headers.get("content-type")?.includes("json") ? (await answer.json()).say : await answer.text();
    tell(said, !answer.ok);
    return answer.ok;
  } catch {
    tell("The watcher can't be reached. Nothing was changed.", true);
    return false;
  }
}

const choice = (name, legend, values, words = (value) => value) =>
  html("fieldset", { class: "choice" }, html("legend", {}, legend), ...values.map((value, place) => html("label", {}, html("input", { type: "radio", name, value, checked: place === 0 }), words(value))));

export const questions = {
  adopt: ({ view }) => ({
    head: "Adopt this frame",
    body: [html("p", {}, `The figures of ${view.file} become the targets of the plan. The old ones stay in it as comments.`)],
    yes: "Adopt",
    to: "/do/adopt",
    with: () => ({ number: view.number }),
  }),
  mark: ({ view, plan }) => ({
    head: `Mark ${view.file}`,
    body: [choice("part", "This frame is", ["grey", "ambient", "plate", "reference", ...plan.lights], (part) => (plan.lights.includes(part) ? `solo of ${part}` : part))],
    yes: "Mark",
    to: "/do/mark",
    with: (form) => ({ number: view.number, part: form.get("part") }),
  }),
  take: ({ plan }) => ({
    head: "New take",
    body: [plan.noticed ? html("label", { class: "check" }, html("input", { type: "checkbox", name: "noticed", value: "yes", checked: true }), `Yes, this was turned: ${plan.noticed}`) : null, html("label", {}, plan.noticed ? "Else, what was turned, in stops" : "What was turned, in stops", html("input", { name: "turned", placeholder: plan.lights.length ? `${plan.lights[0]} -0.5` : "", autocomplete: "off" })), html("p", { class: "quiet" }, "Leave it empty if nothing was turned.")].filter(Boolean),
    yes: "Begin",
    to: "/do/take",
    with: (form) => ({ turned: form.get("turned") || form.get("noticed") || "" }),
  }),
  lit: ({ plan }) => ({
    head: "Lamps that are meant to be lit",
    body: [html("fieldset", { class: "choice" }, html("legend", {}, "Lit now"), ...plan.lights.map((lamp) => html("label", {}, html("input", { type: "checkbox", name: "lamp", value: lamp, checked: true }), lamp)))],
    yes: "Say so",
    to: "/do/lit",
    with: (form) => ({ lamps: form.getAll("lamp").length === plan.lights.length ? null : form.getAll("lamp") }),
  }),
  look: ({ plan }) => ({
    head: "Look",
    body: [choice("look", "From the next frame on", ["", ...plan.looks], (look) => look || "the plan's own targets")],
    yes: "Wear it",
    to: "/do/look",
    with: (form) => ({ look: form.get("look") || null }),
  }),
  expect: ({ plan }) => ({
    head: "Expect",
    body: [html("label", {}, "The next frames, in order", html("input", { name: "parts", value: ["grey", "ambient", ...plan.lights].join(", "), autocomplete: "off" }))],
    yes: "Expect them",
    to: "/do/expect",
    with: (form) => ({ parts: String(form.get("parts")).split(",").map((part) => part.trim()).filter(Boolean) }),
  }),
};

// Ask for powers that meet the plan, and show turns, what they would give, and what stays unmet.
export async function dial(tell) {
  const answer = await fetch("/do/dial", { method: "POST", body: "{}" }).catch(() => null);
  if (!answer) return tell("The watcher can't be reached.", true);
  const said = await answer.json();
  if (!answer.ok) return tell(said.say, true);
  const rows = said.lamps.map(({ name, words }) => html("tr", {}, html("th", { scope: "row" }, name), html("td", {}, words)));
  const zones = Object.entries(said.patches).map(([name, zone]) => html("tr", {}, html("th", { scope: "row" }, name), html("td", {}, zone.toFixed(1))));
  const table = (caption, body) => html("table", {}, html("caption", {}, caption), html("tbody", {}, ...body));
  return ask({
    head: said.unmet.length ? "Powers that come nearest to the plan" : "Powers that meet the plan",
    body: [
      html("div", { class: "two" }, html("div", {}, table("Turn", rows), table("Zones then", zones)), said.has_picture ? html("figure", {}, html("img", { src: `/predicted?${Date.now()}`, alt: "The picture that these powers would give" }), html("figcaption", {}, "Predicted, from the solos")) : null),
      ...(said.notes.length ? [html("p", { class: "quiet" }, said.notes.join(" "))] : []),
      said.unmet.length ? html("ul", { class: "findings" }, ...said.unmet.map((words) => html("li", {}, html("span", {}, "–"), html("span", {}, words)))) : html("p", { class: "quiet" }, "Every target is met."),
    ],
    yes: null,
    no: "Close",
    wide: true,
  });
}

export async function act(name, about, tell) {
  const question = questions[name](about);
  const form = await ask(question);
  return form ? send(question.to, question.with(form), tell) : false;
}
