// One dialog for every question: it answers with the form's data, THIRD, or null. And what forms are made of.
import { html } from "./draw.js";

const box = document.getElementById("box");
const form = document.getElementById("form");
const head = document.getElementById("box-head");
const body = document.getElementById("box-body");
const fault = document.getElementById("box-fault");
const answers = document.getElementById("answers");

// What a question with a third way is answered with when that way is taken.
export const THIRD = Symbol("third");

export const isOpen = () => box.open;

export function ask({ head: title, body: parts, yes = "Do it", no = "Leave it", wrong = () => "", wide = false, third = null }) {
  head.textContent = title;
  body.replaceChildren(...parts.filter(Boolean));
  fault.textContent = "";
  box.classList.toggle("wide", wide);
  const buttons = [html("button", { type: "button", value: "no" }, no)];
  if (yes) buttons.push(html("button", { type: "submit", value: "yes", class: "main" }, yes));
  if (third) buttons.unshift(html("button", { type: "button", class: "third" }, third));
  answers.replaceChildren(...buttons);
  const leaving = buttons.find((one) => one.value === "no");
  return new Promise((done) => {
    const leave = (answer) => {
      form.onsubmit = box.oncancel = box.onclose = null;
      if (box.open) box.close();
      if (box.contains(document.activeElement)) document.activeElement.blur(); // else the next key is typed into it
      done(answer);
    };
    form.onsubmit = (event) => {
      event.preventDefault();
      const data = new FormData(form);
      fault.textContent = wrong(data);
      if (!fault.textContent) leave(data);
    };
    leaving.onclick = () => leave(null);
    if (third) buttons[0].onclick = () => leave(THIRD);
    box.oncancel = () => leave(null);
    box.onclose = () => leave(null);
    box.showModal();
    (body.querySelector("[autofocus]") ?? body.querySelector("input, select") ?? buttons.at(-1)).focus();
  });
}

export const field = (label, input) => html("label", {}, label, input);

export const check = (name, label, isOn, value = "on") =>
  html("label", { class: "check" }, html("input", { type: "checkbox", name, value, checked: isOn }), label);

// One of several values, the first unless another is chosen.
export const choice = (name, legend, values, words = (value) => value) =>
  html("fieldset", { class: "choice" }, html("legend", {}, legend), values.map((value, place) => html("label", {}, html("input", { type: "radio", name, value, checked: place === 0 }), words(value))));

export const select = (name, values, chosen, words = (value) => value) =>
  html("select", { name }, values.map((value) => html("option", { value, selected: value === chosen }, words(value))));
