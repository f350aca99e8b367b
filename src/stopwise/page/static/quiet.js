// The client's view: follows the stream, shows the picture, its number and one dot.
import { read } from "./requests.js";
import { listen } from "./stream.js";

const image = document.getElementById("image");
const number = document.getElementById("number");
const dot = document.getElementById("dot");

function show(view) {
  const next = new Image();
  next.onload = () => {
    image.src = next.src;
    image.hidden = false;
  };
  next.src = `/picture/${view.number}`;
  number.textContent = `Frame ${view.number}`;
  dot.setAttribute("class", view.verdict === "on plan" ? "good" : "work");
}

const start = await read("/views");
if (start.view) show(start.view);
listen({ after: start.last, view: show });
