// Signing by a link: what is drawn goes with the form.
import { pad } from "/static/pad.js";

const form = document.getElementById("sign");
const place = form.querySelector(".pad");
const canvas = place.querySelector("canvas");
const drawing = pad(canvas);
place.hidden = false;
place.querySelector("button").addEventListener("click", drawing.clear);
form.addEventListener("submit", () => {
  form.elements.drawn.value = drawing.isEmpty() ? "" : canvas.toDataURL("image/png");
});
