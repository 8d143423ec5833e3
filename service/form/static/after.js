/* After it was sent: the owner's page, the photographs, the questions, the range. */
import { answered, showFaults } from "./answers.js";
import { ask, el, filled, here, node, say } from "./common.js";
import { sendPhotos, waiting } from "./photographs.js";

let busy = false;

export function begun(title, ...parts) {
  for (const one of [here.form, ...here.page.querySelectorAll("section.card, #summary")]) one.hidden = true;
  const heading = el("h2", { tabindex: -1 }, title);
  here.after.append(el("section", { class: "card" }, heading, ...parts));
  here.after.before(here.said);
  here.after.hidden = false;
  heading.focus();
  heading.scrollIntoView({ block: "nearest" });
}

export const thank = () => { begun(here.texts.thanks_title, el("p", {}, here.texts.thanks)); say(""); };

export async function follow(made) {
  const photos = waiting(), list = el("ul", { class: "uploads" });
  begun(here.texts.thanks_title, el("p", {}, here.texts.thanks), el("h3", {}, here.texts.your_page), el("p", {}, here.texts.your_page_lead),
    el("p", {}, el("a", { href: here.service + made.follow, class: "button" }, here.texts.your_page_link)),
    ...(photos.length ? [el("h3", {}, here.texts.photographs), list] : []));
  say(here.texts.received);
  const sent = sendPhotos(made.id, photos, list);
  await askMore(made);
  await sent;
}

export async function askMore(made) {
  const found = await ask(`/v1/requests/${made.id}/questions`).catch(() => ({}));
  const paths = new Set([...(found.asked ?? []), ...(found.questions ?? [])].map((one) => one.field));
  const fields = [...paths].map((path) => node(`instrument.${path}`)).filter(Boolean).slice(0, 3);
  if (fields.length === 0) { result(made.valuation); return; }
  for (const one of fields) one.hidden = false;
  const more = el("form", { class: "card", novalidate: true }, el("h2", {}, here.texts.questions_title),
    el("p", { class: "lead" }, here.texts.questions_lead), el("div", { class: "fields" }, ...fields),
    el("div", { class: "row" }, el("button", {}, here.texts.questions_send),
      el("button", { type: "button", class: "quiet" }, here.texts.questions_skip)));
  more.addEventListener("submit", (event) => { event.preventDefault(); answer(made, more); });
  more.querySelector(".quiet").addEventListener("click", () => { more.remove(); result(made.valuation); });
  here.after.append(more);
}

export async function answer(made, more) {
  if (busy) return;
  busy = true;
  const answers = Object.fromEntries([...answered(more)].map(([name, value]) => [name.replace("instrument.", ""), value]));
  try {
    const told = Object.keys(answers).length ? await ask(`/v1/requests/${made.id}/answers`, JSON.stringify({ answers })) : {};
    more.remove();
    say(here.texts.answers_received);
    result(told.valuation ?? made.valuation);
  } catch (error) {
    here.after.before(here.page.querySelector("#summary"));
    say(error.message, !showFaults(error.faults ?? []));
  } finally { busy = false; }
}

export function result(value) {
  const heading = el("h2", { tabindex: -1 }, value && here.range !== "no" ? here.texts.result_title : here.texts.answers_received);
  const parts = value && here.range !== "no" ? amounts(value) : [];
  here.after.append(el("section", { class: "card" }, heading, ...parts, el("p", {}, here.texts.result_later)));
  heading.focus();
}

export function amounts(value) {
  const format = new Intl.NumberFormat(here.form.dataset.locale, { style: "currency", currency: value.currency, maximumFractionDigits: 0 });
  const wanted = value.intervals.find((one) => one.level === 0.8) ?? value.intervals[0];
  const [low, high] = [wanted.low, wanted.high].map((amount) => format.format(amount));
  const day = new Intl.DateTimeFormat(here.form.dataset.locale, { dateStyle: "long", timeZone: "UTC" });
  const cautions = value.cautions.map((one) => el("li", {}, here.texts[`caution_${one.code}`] ?? one.text, " ",
    el("span", { class: "small" }, filled("as_of", { day: day.format(new Date(one.as_of)) }))));
  return [el("p", { class: "value" }, format.format(value.value)), el("p", { class: "ends", "aria-hidden": true }, el("span", {}, low), el("span", {}, high)),
    el("p", {}, filled("result_range", { level: Math.round(wanted.level * 100), low, high })),
    el("div", { class: "statement" }, el("p", {}, el("strong", {}, here.texts.estimate_is))),
    el("h3", {}, here.texts.result_cautions), el("ul", { class: "plain" }, ...cautions)];
}
