// One dialog for every question. It opens at once, and stays with all that was typed until what it asks is done.
import { by, html } from "./draw.js";

const box = by("box");
const form = by("form");
const head = by("box-head");
const body = by("box-body");
const fault = by("box-fault");
const answers = by("answers");

export const isOpen = () => box.open;

// Called with the dialog when it opens and with null when it is gone.
export const watchers = [];

// Ask one question.
//   fill    returns the parts of its form; may wait for them, the dialog stands meanwhile
//   done    does it with the form's data: {isDone, say, field}; a refusal stays in the form
//   yes     the word that does it; null for a dialog that only shows
//   third   [word, what it does] of another way out
// The answer is done's, or null where the question was left. Nothing is chosen that writes: a form
// with fields does nothing until one of them was touched, one without waits on the word that leaves.
export async function ask({ head: title, fill, done, yes = "Do it", no = "Leave it", third = null, wide = false }) {
  head.textContent = title;
  body.replaceChildren(html("p", { class: "quiet" }, "One moment."));
  refuse("");
  box.classList.toggle("wide", wide);
  const leaving = html("button", { type: "button", value: "no" }, no);
  const doing = yes && html("button", { type: "submit", value: "yes", class: "main", disabled: true }, yes);
  const other = third && html("button", { type: "button", class: "third" }, third[0]);
  answers.replaceChildren(...[other, leaving, doing].filter(Boolean));
  box.showModal();
  leaving.focus();
  watchers.forEach((call) => call(box));
  return new Promise((answer) => {
    let isLeft = false;
    const leave = (found) => {
      if (isLeft) return;
      isLeft = true;
      form.onsubmit = form.oninput = box.oncancel = box.onclose = null;
      if (box.open) box.close();
      if (box.contains(document.activeElement)) document.activeElement.blur(); // else the next key is typed into it
      watchers.forEach((call) => call(null));
      answer(found);
    };
    const act = async (work) => {
      form.inert = true;
      refuse("");
      const found = await work();
      form.inert = false;
      if (isLeft) return;
      if (found.isDone) leave(found);
      else refuse(found.say, found.field);
    };
    form.onsubmit = (event) => {
      event.preventDefault();
      if (doing && !doing.disabled) act(() => done(new FormData(form)));
    };
    form.oninput = () => doing && (doing.disabled = false);
    leaving.onclick = () => leave(null);
    if (other) other.onclick = () => act(third[1]);
    box.oncancel = () => leave(null);
    box.onclose = () => box.open || leave(null); // the word of a question before, come late, leaves none
    Promise.resolve(fill()).catch((error) => [html("p", { class: "fault", "data-idle": true }, `That failed in the page itself: ${error.message}.`)]).then((parts) => {
      if (isLeft) return;
      if (parts === null) {
        body.replaceChildren();
        return refuse("Cut off from the watch: what stands there now can't be asked for. Leave it, and press again.");
      }
      body.replaceChildren(...parts.filter(Boolean));
      const first = body.querySelector("[autofocus]") ?? body.querySelector("input, select");
      if (doing) doing.disabled = Boolean(first ?? body.querySelector("[data-idle]"));
      (first ?? leaving).focus();
    });
  });
}

// Say why nothing was done beside the field that it is about; else above the answers.
function refuse(words, name = "") {
  for (const one of form.querySelectorAll("[aria-invalid]")) {
    one.removeAttribute("aria-invalid");
    one.removeAttribute("aria-describedby");
  }
  const field = words && name ? form.elements.namedItem(name) : null;
  const at = field instanceof RadioNodeList ? field[0] : field;
  const place = at?.closest("fieldset, label");
  if (place && body.contains(place)) place.after(fault);
  else answers.before(fault);
  if (at) {
    at.setAttribute("aria-invalid", "true");
    at.setAttribute("aria-describedby", "box-fault");
  }
  fault.textContent = words;
  if (words) (at ?? answers.querySelector("button")).focus();
}

export const field = (label, input) => html("label", {}, label, input);

export const check = (name, label, isOn, value = "on") =>
  html("label", { class: "check" }, html("input", { type: "checkbox", name, value, checked: isOn }), html("span", {}, label));

// One of several values; none is chosen unless it stands so now.
export const choice = (name, legend, values, { words = (value) => value, now } = {}) =>
  html("fieldset", { class: "choice" }, html("legend", {}, legend), values.map((value) => html("label", {}, html("input", { type: "radio", name, value, checked: value === now, required: true }), html("span", {}, words(value)))));

export const select = (name, values, chosen, words = (value) => value) =>
  html("select", { name }, values.map((value) => html("option", { value, selected: value === chosen }, words(value))));
