// A place to sign with a finger or a pen.
export function pad(canvas) {
  const context = canvas.getContext("2d");
  let drawing = false, drawn = false;
  const clear = () => {
    context.fillStyle = "#fff";
    context.fillRect(0, 0, canvas.width, canvas.height);
    context.strokeStyle = "#000";
    context.lineWidth = 4;
    context.lineCap = context.lineJoin = "round";
    drawn = false;
  };
  const at = (event) => {
    const box = canvas.getBoundingClientRect();
    return [(event.clientX - box.left) * canvas.width / box.width, (event.clientY - box.top) * canvas.height / box.height];
  };
  canvas.addEventListener("pointerdown", (event) => {
    drawing = drawn = true;
    canvas.setPointerCapture(event.pointerId);
    context.beginPath();
    context.moveTo(...at(event));
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!drawing) return;
    context.lineTo(...at(event));
    context.stroke();
  });
  for (const over of ["pointerup", "pointercancel"]) canvas.addEventListener(over, () => (drawing = false));
  clear();
  return { clear, isEmpty: () => !drawn, blob: () => new Promise((done) => canvas.toBlob(done, "image/png")) };
}
