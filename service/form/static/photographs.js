/* Photographs: shown when they are chosen, sent one by one, each with its progress and another try. */
import { el, filled, here, random, say } from "./common.js";

export async function chosen(place) {
  const input = place.querySelector("input"), fault = place.querySelector(".fault"), most = Number(here.form.dataset.mostBytes);
  const large = [...input.files].some((file) => file.size > most);
  fault.textContent = large ? filled("too_large", { megabytes: Math.floor(most / 2 ** 20) }) : "";
  fault.hidden = !large;
  place.querySelector("canvas")?.remove();
  place.querySelector("img").hidden = false;
  if (large) { input.value = ""; return; }
  const file = input.files[0];
  const picture = file && await createImageBitmap(file, { resizeWidth: 144 }).catch(() => null);
  if (!picture) return;
  const canvas = el("canvas", { width: picture.width, height: picture.height, "aria-hidden": true });
  canvas.getContext("2d").drawImage(picture, 0, 0);
  place.querySelector("img").hidden = true;
  place.prepend(canvas);
}

export function waiting() {
  return [...here.form.querySelectorAll(".photo")].flatMap((place) => [...place.querySelector("input").files].map((file) =>
    ({ file, view: place.dataset.view, label: place.querySelector("label").textContent })));
}

export function upload(request, photo, progressed) {
  return new Promise((done) => {
    const asked = new XMLHttpRequest();
    asked.open("POST", `${here.service}/v1/requests/${request}/photographs?view=${photo.view}`);
    asked.setRequestHeader("Authorization", `Bearer ${here.key}`);
    asked.setRequestHeader("Content-Type", photo.file.type || "application/octet-stream");
    asked.setRequestHeader("Idempotency-Key", photo.name ??= random());
    asked.upload.onprogress = (event) => progressed(event.loaded / (event.total || 1));
    asked.onload = () => done(asked.status);
    asked.onerror = asked.ontimeout = () => done(0);
    asked.send(photo.file);
  });
}

export async function sendPhoto(request, photo, line, counted) {
  const bar = el("progress", { max: 1, value: 0, "aria-label": photo.label });
  const words = el("span", {}, filled("uploading", { ...counted, view: photo.label }));
  line.replaceChildren(words, bar);
  say(words.textContent);
  const status = await upload(request, photo, (share) => { bar.value = share; });
  photo.arrived = status === 201;
  const good = photo.arrived, refused = [400, 413, 415, 422].includes(status);
  const text = filled(good ? "uploaded" : refused ? "upload_refused" : "upload_failed", { view: photo.label });
  line.replaceChildren(good ? `✓ ${text}` : el("span", { class: "fault" }, text));
  if (!good && !refused) {
    const again = el("button", { type: "button", class: "quiet" }, here.texts.retry);
    again.addEventListener("click", async () => { await sendPhoto(request, photo, line, counted); if (photo.arrived) say(text); });
    line.append(el("br"), again);
  }
  if (!good) say(text, true);
}

export async function sendPhotos(request, photos, list) {
  const lines = photos.map((photo) => el("li", {}, photo.label));
  list.replaceChildren(...lines);
  for (const [at, photo] of photos.entries()) {
    await sendPhoto(request, photo, lines[at], { number: at + 1, count: photos.length });
  }
  const left = photos.filter((photo) => !photo.arrived).length;
  if (photos.length) say(left ? filled("photographs_left", { count: left }) : here.texts.photographs_done, left > 0);
}
