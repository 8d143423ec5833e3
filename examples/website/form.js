/* The form of form.html: it asks a Bookmatch service for its menus, sends what was filled in, and shows the answer.
   No library, no build step. Whatever the service says enters the page as text, never as markup. */
"use strict";
{
const { service, key } = document.currentScript.dataset;
const BLANK = "Don’t know";
const FAMILIES = { identity: "Identity", rarity: "Rarity", condition: "Condition", originality: "Originality",
  provenance: "History", market: "Market" };
const page = { form: document.getElementById("ask"), said: document.getElementById("said"),
  send: document.getElementById("send"), result: document.getElementById("result") };
const inputs = new Map(); // path of a field → { box, read, fault, field }
let makers = [], sent = {}, busy = false;

/* ── small helpers ───────────────────────────────────────────────────────────────────────────────────── */

function el(name, about = {}, ...children) {
  const made = document.createElement(name);
  for (const [attribute, value] of Object.entries(about)) {
    if (value !== null && value !== false) made.setAttribute(attribute, value === true ? "" : value);
  }
  made.append(...children);
  return made;
}
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
const words = (terms) => terms.map((term) => [term.name, capital(term.meaning)]);
const idOf = (path) => `f-${path.replaceAll(".", "-")}`;
const money = (amount, currency, about = {}) =>
  new Intl.NumberFormat("en", { style: "currency", currency, ...about }).format(amount);
const say = (text, bad = false) => Object.assign(page.said, { textContent: text, className: bad ? "bad" : "" });

/* ── asking the service ──────────────────────────────────────────────────────────────────────────────── */

async function ask(path, body) {
  const headers = { Authorization: `Bearer ${key}` };
  if (body) Object.assign(headers, { "Content-Type": "application/json", "Idempotency-Key": nameOf(body) });
  let answer;
  try {
    answer = await fetch(service + path, { method: body ? "POST" : "GET", headers, body, credentials: "omit" });
  } catch {
    // A browser does not tell a script whether the network failed or the service does not know the page.
    throw new Error(`No answer from ${service}. Either it cannot be reached just now, or its key in this page is `
      + `not meant for pages of ${location.origin}. Please try again later, or tell us.`);
  }
  const said = await answer.json().catch(() => ({}));
  if (answer.ok) return said;
  throw Object.assign(new Error(refusal(answer, said)), { faults: said.errors ?? [] });
}

function refusal(answer, said) {
  if (answer.status === 401) return "The service does not accept the key in this page any more. Please tell us.";
  if (answer.status === 403) return `The service does not answer this page: ${said.detail ?? "it is refused."}`;
  if (answer.status === 429) {
    return `Too many questions at once. Please try again in ${answer.headers.get("Retry-After") ?? "60"} seconds.`;
  }
  if (answer.status === 422) return "Something in the form is wrong; nothing was lost.";
  return said.detail ?? `The service answered ${answer.status}. Please try again later.`;
}

// The same request keeps its name, so that a second try after a lost answer is not valued twice.
function nameOf(body) {
  if (sent.body !== body) {
    const parts = crypto.getRandomValues(new Uint32Array(4));
    sent = { body, name: [...parts].map((part) => part.toString(16)).join("-") };
  }
  return sent.name;
}

/* ── the fields, as the vocabulary has them ──────────────────────────────────────────────────────────── */

function addField(path, group, { box, control, hint, read }) {
  const fault = el("p", { class: "fault", id: `${idOf(path)}-fault`, hidden: true });
  const about = hint ? [el("p", { class: "hint", id: `${idOf(path)}-hint` }, hint), fault] : [fault];
  control.setAttribute("aria-describedby", about.map((one) => one.id).join(" "));
  box.append(...about);
  inputs.set(path, { box, control, fault, read });
  page.form.querySelector(`[data-group="${group}"]`).append(box);
}

const labelled = (field, control) =>
  el("div", { class: "field" }, el("label", { for: control.id }, capital(field.label)), control);

function menu(field, options, blank = BLANK, convert = (word) => word) {
  const control = el("select", { id: idOf(field.path), required: field.required === true });
  fill(control, options, blank);
  return { box: labelled(field, control), control, read: () => (control.value ? convert(control.value) : null) };
}

function fill(control, options, blank) {
  control.replaceChildren(...(blank === null ? [] : [el("option", { value: "" }, blank)]),
    ...options.map(([value, text]) => el("option", { value }, text)));
}

function text(field) {
  const inputmode = field.type === "text" ? null : "decimal";
  const control = el("input", { id: idOf(field.path), type: "text", inputmode, autocomplete: "off", placeholder: BLANK });
  const read = () => typed(control.value.trim(), field.type);
  return { box: labelled(field, control), control, hint: capital(field.meaning), read };
}

// What is no number goes out as it was typed: the service says what is wrong with it.
function typed(value, type) {
  if (value === "" || type === "text") return value || null;
  const point = value.replace(/^(\d+),(\d+)$/, "$1.$2");
  return /^\d+(\.\d+)?$/.test(point) ? Number(point) : value;
}

function steps(field) {
  const id = idOf(field.path);
  const choices = [["", BLANK], ...words(field.terms)].map(([value, word]) => el("label", {},
    el("input", { type: "radio", name: id, value, checked: value === "" }), el("span", {}, word)));
  const box = el("fieldset", { class: "field wide", role: "radiogroup", id }, el("legend", {}, capital(field.label)),
    el("div", { class: "steps" }, ...choices));
  return { box, control: box, read: () => typed(box.querySelector(":checked").value, field.type) };
}

function made(field) {
  if (field.path === "maker" || field.path === "model") return menu(field, [], "Choose …");
  if (field.path === "edition") return menu(field, [], "None, or don’t know");
  if (field.path === "finish") return menu(field, [], "Don’t know, or not in this list");
  if (field.type === "grade") return steps(field);
  if (field.type === "flag") return menu(field, [["yes", "Yes"], ["no", "No"]], BLANK, (word) => word === "yes");
  if (field.type === "term") return menu(field, words(field.terms));
  return text(field);
}

/* ── the catalogue: each choice narrows the next ─────────────────────────────────────────────────────── */

const control = (path) => inputs.get(path).control;
const named = (list, path) => list.find((one) => one.name === control(path).value);
const options = (list) => list.map((one) => [one.name, one.name]);
const show = (path, needed) => { inputs.get(path).box.hidden = !needed; };
const hintOf = (path, hint) => { document.getElementById(`${idOf(path)}-hint`).textContent = hint; };

function chooseMaker() {
  const models = named(makers, "maker")?.models ?? [];
  fill(control("model"), options(models), models.length ? "Choose …" : "Choose the maker first");
  control("model").disabled = models.length === 0;
  chooseModel();
}

function chooseModel() {
  const model = named(named(makers, "maker")?.models ?? [], "model");
  for (const [path, list] of [["edition", model?.editions ?? []], ["finish", model?.finishes ?? []]]) {
    fill(control(path), options(list), control(path).options[0].text);
    show(path, list.length > 0);
  }
  show("figure", model !== undefined && model.figured_top !== false);
  chooseEdition();
}

function chooseEdition() {
  const model = named(named(makers, "maker")?.models ?? [], "model");
  const edition = named(model?.editions ?? [], "edition");
  const of = edition?.first_year ? edition : model;
  const years = of && (of.first_year === of.last_year ? of.first_year : `${of.first_year} to ${of.last_year}`);
  hintOf("year", of ? `Made: ${years}` : "Year of manufacture");
  show("edition_number", edition?.numbered === true);
  hintOf("edition_number", edition?.production_total ? `Of ${edition.production_total} recorded` : "As it is written on it");
}

async function begin() {
  try {
    const [vocabulary, catalogue] = await Promise.all([ask("/v1/vocabulary"), ask("/v1/catalogue")]);
    makers = catalogue.makers;
    for (const field of vocabulary.fields) {
      addField(field.path, field.path.includes(".") ? field.path.split(".")[0] : "", made(field));
    }
    const currencies = vocabulary.currencies.map((code) => [code, code]);
    addField("channel", "value", menu({ path: "channel", label: "market" }, words(vocabulary.channels), null));
    addField("currency", "value", menu({ path: "currency", label: "currency" }, currencies, null));
    control("channel").value = vocabulary.default_channel;
    control("currency").value = "USD";
    fill(control("maker"), options(makers), "Choose …");
    control("maker").addEventListener("change", chooseMaker);
    control("model").addEventListener("change", chooseModel);
    control("edition").addEventListener("change", chooseEdition);
    chooseMaker();
    page.form.addEventListener("submit", (event) => { event.preventDefault(); send(vocabulary); });
    page.form.hidden = false;
    say("");
  } catch (error) { say(error.message, true); }
}

/* ── sending, and the faults beside their fields ─────────────────────────────────────────────────────── */

function answers() {
  const instrument = {};
  for (const [path, { read, box }] of inputs) {
    const value = box.hidden || path === "channel" || path === "currency" ? null : read();
    if (value === null) continue;
    const [group, name] = path.split(".");
    if (name === undefined) instrument[path] = value;
    else (instrument[group] ??= {})[name] = value;
  }
  const about = { channel: control("channel").value, currency: control("currency").value, levels: [0.8] };
  return JSON.stringify({ instrument, ...about });
}

async function send(vocabulary) {
  if (busy) return;
  busy = true;
  page.send.setAttribute("aria-disabled", "true");
  page.result.hidden = true;
  say("Asking …");
  showFaults([]);
  try {
    showAnswer(await ask("/v1/valuations", answers()), vocabulary);
  } catch (error) {
    say([error.message, ...showFaults(error.faults ?? [])].join(" "), true);
  } finally {
    busy = false;
    page.send.removeAttribute("aria-disabled");
  }
}

// Puts each fault beside its field, goes to the first, and returns those that belong to no field of the page.
function showFaults(faults) {
  for (const { control: at, fault } of inputs.values()) {
    at.removeAttribute("aria-invalid");
    fault.hidden = true;
  }
  const elsewhere = [];
  for (const { pointer, field, problem, allowed, next_step: next } of faults) {
    const sentence = `${capital(problem)}${allowed ? `; allowed: ${allowed}` : ""}${next ? `. ${capital(next)}` : ""}`;
    const input = inputs.get((pointer ?? "").replace(/^#\/(instrument\/)?/, "").replaceAll("/", "."));
    if (input === undefined || input.box.hidden) { elsewhere.push(`${field}: ${sentence}.`); continue; }
    input.control.setAttribute("aria-invalid", "true");
    input.fault.textContent = `${sentence}.`;
    input.fault.hidden = false;
  }
  const first = page.form.querySelector("[aria-invalid]");
  (first?.querySelector(":checked") ?? first)?.focus();
  return elsewhere;
}

/* ── the answer ──────────────────────────────────────────────────────────────────────────────────────── */

function showAnswer(answer, vocabulary) {
  const [range] = answer.intervals;
  const whole = (amount) => money(amount, answer.currency, { minimumFractionDigits: 0, maximumFractionDigits: 0 });
  const said = `In ${Math.round(range.level * 100)} of 100 such cases the price lies between ${whole(range.low)} and `
    + `${whole(range.high)}.`;
  const drawn = el("div", { class: "range", "aria-hidden": "true" }, el("i"));
  drawn.style.setProperty("--at", `${100 * (answer.value - range.low) / (range.high - range.low || 1)}%`);
  const title = el("h2", { id: "result-title", tabindex: -1 }, "What it is worth, as far as we can tell");
  page.result.replaceChildren(
    el("div", { class: "card" }, title, el("p", { class: "value" }, whole(answer.value)),
      drawn,
      el("div", { class: "ends" }, el("span", {}, whole(range.low)), el("span", {}, whole(range.high))),
      el("p", {}, `${said} Behind it: ${answer.evidence.meaning}.`),
      el("p", { class: "statement" }, el("strong", {}, "This is an estimate. "), "It is computed from records of the "
        + "market and from what you told us; nobody has seen the instrument. It is neither an authentication nor a "
        + "qualified or certified appraisal, and no offer to buy.")),
    el("div", { class: "card" }, el("h2", {}, "How it comes about"), waterfall(answer), lines(answer, vocabulary)),
    el("div", { class: "card" }, el("h2", {}, "Please read before you act on it"),
      el("ul", { class: "cautions" }, ...answer.cautions.map((caution) => el("li", {}, caution.text,
        el("span", { class: "small" }, ` (As of ${caution.as_of}.)`))))));
  page.result.hidden = false;
  say(`Estimated value: ${whole(answer.value)}. ${said}`);
  title.focus();
}

// From a typical clean instrument of the same model to this one: each bar begins where the one before it ended.
function waterfall(answer) {
  const start = Number(answer.reference.value);
  const moves = answer.attributions.filter((family) => Number(family.amount) !== 0);
  const ends = moves.reduce((all, { amount }) => [...all, all.at(-1) + Number(amount)], [start]);
  const most = Math.max(...ends);
  const bar = (label, amount, from, to, kind) => {
    const about = kind === "whole" ? {} : { signDisplay: "always" };
    const drawn = el("i");
    drawn.style.left = `${100 * Math.min(from, to) / most}%`;
    drawn.style.width = `${100 * Math.abs(to - from) / most}%`;
    return el("li", { class: kind }, el("span", {}, label), el("b", {}, money(amount, answer.currency, about)),
      el("span", { class: "track", "aria-hidden": "true" }, drawn));
  };
  const { maker, model } = answer.reference.instrument;
  return el("ol", { class: "bars" }, bar(`A typical clean ${maker} ${model}`, answer.reference.value, 0, start, "whole"),
    ...moves.map(({ family, amount }, at) => bar(FAMILIES[family] ?? capital(family), amount, ends[at], ends[at + 1],
      Number(amount) < 0 ? "down" : "up")),
    bar("Your instrument", answer.value, 0, Number(answer.value), "whole"));
}

function lines(answer, vocabulary) {
  const terms = new Map(vocabulary.fields.map((field) => [field.path, field.terms]));
  const word = ({ field, observed }) => {
    if (observed === null) return "not said";
    if (typeof observed === "boolean") return observed ? "yes" : "no";
    return terms.get(field)?.find((term) => term.name === String(observed))?.meaning ?? String(observed);
  };
  const factors = answer.attributions.flatMap((family) => family.factors).filter((one) => Number(one.amount) !== 0);
  return el("details", {}, el("summary", {}, "Line by line"),
    el("ul", { class: "plain" }, ...factors.map((one) => el("li", {}, el("span", {}, `${capital(one.label)}: ${word(one)}`),
      el("b", {}, money(one.amount, answer.currency, { signDisplay: "always" }))))),
    el("ul", {}, ...answer.assumed.map((one) => el("li", { class: "small" }, `${capital(one.reason)}.`))));
}

begin();
}
