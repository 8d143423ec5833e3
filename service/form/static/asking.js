/* The form of a page of ours, or of anybody's: `begin` makes it better than what works without script. */
import { follow, thank } from "./after.js";
import { body, showFaults } from "./answers.js";
import { ask, control, el, filled, here, node, same, say } from "./common.js";
import { chosen } from "./photographs.js";

let makers = [], busy = false;

// ── the catalogue: each choice narrows the next ──

const valueAt = (path) => control(node(`instrument.${path}`)).value;
const show = (path, needed) => { node(`instrument.${path}`).hidden = !needed; };
const offer = (path, list) => node(`instrument.${path}`).querySelector("datalist")
  .replaceChildren(...list.map((one) => el("option", { value: one.name })));

function narrow() {
  const maker = makers.find((one) => same(one.name, valueAt("maker")));
  const models = maker ? maker.models : makers.flatMap((one) => one.models);
  const model = models.find((one) => same(one.name, valueAt("model")));
  const edition = model?.editions.find((one) => same(one.name, valueAt("edition")));
  offer("model", models);
  offer("edition", model?.editions ?? []);
  offer("finish", model?.finishes ?? []);
  show("edition", !model || model.editions.length > 0);
  show("edition_number", !model || edition?.numbered === true);
  show("figure", !model || model.figured_top !== false);
  const hint = node("instrument.year").querySelector(".hint"), made = edition?.first_year ? edition : model;
  hint.dataset.usual ??= hint.textContent;
  hint.textContent = made ? filled("made", { first: made.first_year, last: made.last_year }) : hint.dataset.usual;
}

// ── sending ──

async function send(event) {
  event.preventDefault();
  if (busy) return;
  busy = true;
  const button = here.form.querySelector(".send");
  button.setAttribute("aria-disabled", "true");
  say(here.texts.sending);
  try {
    if (control(here.page.querySelector(".trap")).value) { thank(); return; }
    const made = await ask(`/v1/requests${here.range === "no" ? "?value=false" : ""}`, body());
    await follow(made);
  } catch (error) {
    const beside = showFaults(error.faults ?? []);
    say(error.message, !beside);
  } finally {
    busy = false;
    button.removeAttribute("aria-disabled");
  }
}

// ── beginning ──

export function begin(about) {
  Object.assign(here, about);
  here.form = here.page.querySelector("form");
  [here.said, here.after] = [here.page.querySelector(".said"), here.page.querySelector(".after")];
  here.texts = JSON.parse(here.form.dataset.texts);
  here.form.noValidate = true; // the service says what is wrong, in the owner's words, all at once
  here.form.addEventListener("submit", send);
  for (const place of here.form.querySelectorAll(".photo")) place.addEventListener("change", () => chosen(place));
  for (const path of ["maker", "model", "edition"]) node(`instrument.${path}`).addEventListener("input", narrow);
  ask("/v1/catalogue").then((told) => { makers = told.makers; narrow(); }, (error) => say(error.message, true));
}
