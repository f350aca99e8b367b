// The client's view: follows the stream, shows the picture, its number and one dot.
import { read } from "./requests.js";
import { listen } from "./stream.js";

let wanted = 0;
let image = document.getElementById("image");
const number = document.getElementById("number");
const dot = document.getElementById("dot");

// Picture, number and dot are one frame's: they change together, once the picture is there.
function show(view) {
  if (!view) return;
  wanted = view.number;
  const next = new Image();
  next.onload = () => put(view, next);
  next.onerror = () => put(view, null);
  next.src = `/picture/${view.number}`;
}

function put(view, next) {
  if (wanted !== view.number) return;
  image.hidden = true;
  if (next) {
    Object.assign(next, { id: image.id, alt: `Frame ${view.number}` });
    image.replaceWith(next);
    image = next;
  }
  number.textContent = `Frame ${view.number}`;
  dot.setAttribute("class", view.verdict === "on plan" ? "good" : "work");
}

const start = await read("/newest");
show(start?.view);
listen({ after: start?.beat.newest ?? 0, shown: ({ view }) => show(view), state: (isUp) => document.body.toggleAttribute("data-unlinked", !isUp) });
