// Reads symbols from the camera: by the browser's own detector where it has one, else by a decoder that we serve.
const VENDOR = "/static/vendor/";
const EVERY_MS = 120;

async function detector() {
  const formats = ["qr_code", "data_matrix"];
  if ("BarcodeDetector" in window) {
    const able = await window.BarcodeDetector.getSupportedFormats();
    if (able.includes("qr_code")) return new window.BarcodeDetector({ formats: formats.filter((one) => able.includes(one)) });
  }
  await script(`${VENDOR}barcode-detector-3.2.2.js`);
  const api = window.BarcodeDetectionAPI;
  api.prepareZXingModule({ overrides: { locateFile: (name) => VENDOR + name } });
  return new api.BarcodeDetector({ formats });
}

function script(address) {
  if (document.querySelector(`script[src="${address}"]`)) return Promise.resolve();
  return new Promise((done, failed) => {
    const made = document.createElement("script");
    made.src = address;
    made.onload = done;
    made.onerror = () => failed(new Error(address));
    document.head.append(made);
  });
}

// Shows the picture and calls ``seen`` with each text read, the same one not again within three seconds. Answers a
// function that ends it.
export async function watch(video, seen) {
  const reader = await detector();
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" }, audio: false });
  video.srcObject = stream;
  video.hidden = false;
  await video.play();
  let last = "", at = 0, over = false;
  const look = async () => {
    if (over) return;
    const found = await reader.detect(video).catch(() => []);
    const text = found.length ? found[0].rawValue : "";
    if (text && (text !== last || Date.now() - at > 3000)) seen(text);
    if (text) [last, at] = [text, Date.now()];
    setTimeout(look, EVERY_MS);
  };
  look();
  return () => {
    over = true;
    for (const track of stream.getTracks()) track.stop();
    video.srcObject = null;
    video.hidden = true;
  };
}
