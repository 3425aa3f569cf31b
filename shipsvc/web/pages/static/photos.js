// Photographs as they are kept: drawn anew, so that nothing is left of where and with what they were taken, and no
// larger than is needed to see what is in them.
const SIDE_MAX = 2400;
export const able = Boolean(window.crypto && window.crypto.subtle && window.createImageBitmap);

export async function redrawn(file) {
  const image = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, SIDE_MAX / Math.max(image.width, image.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(image.width * scale));
  canvas.height = Math.max(1, Math.round(image.height * scale));
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  image.close();
  return new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.88));
}

export async function sha256(blob) {
  const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", await blob.arrayBuffer()));
  return [...digest].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
