/* What was filled in, as the API takes it; and what is wrong with it, beside each question. */
import { control, el, filled, here, node } from "./common.js";

// ── what was filled in, as the API takes it ──

export function typed(raw, type) {
  const value = type === "text" ? raw : raw.trim();
  if (!value.trim()) return null;
  if (type === "flag") return value === "yes";
  if (type === "amount") return plainAmount(value);
  if (type === "text") return value;
  const number = value.replace(",", ".");
  return /^\d+(\.\d+)?$/.test(number) ? Number(number) : value;
}

export function plainAmount(raw) {
  const value = raw.replace(/[\s'’]/g, ""), last = Math.max(value.lastIndexOf("."), value.lastIndexOf(","));
  const both = value.includes(".") && value.includes(",");
  if (last < 0 || (/^\d{1,3}([.,]\d{3})+$/.test(value) && !both)) return value.replace(/[.,]/g, "");
  return `${value.slice(0, last).replace(/[.,]/g, "")}.${value.slice(last + 1)}`;
}

export function* answered(within) {
  for (const one of within.querySelectorAll("[data-name]")) {
    if (one.hidden || one.dataset.type === "check") continue;
    const value = typed(control(one)?.value ?? "", one.dataset.type);
    if (value !== null) yield [one.dataset.name, value];
  }
}

export function body() {
  const consent = control(node("consent"));
  const found = { language: here.form.dataset.locale, consent: consent.checked, consent_text: consent.value };
  if (here.reference) found.reference = here.reference;
  for (const [name, value] of answered(here.form)) {
    const path = name.split("."), last = path.pop();
    path.reduce((inside, part) => (inside[part] ??= {}), found)[last] = value;
  }
  if (found.asked?.amount === undefined) delete found.asked;
  return JSON.stringify(found);
}

// ── what is wrong, beside its question and as a list that gets the focus ──

export function showFaults(faults) {
  for (const one of here.page.querySelectorAll("[data-name] .fault")) one.hidden = true;
  for (const one of here.page.querySelectorAll("[aria-invalid]")) one.removeAttribute("aria-invalid");
  const marked = [];
  for (const { pointer, suggestions = [] } of faults) {
    const path = decodeURIComponent(pointer ?? "").replace(/^#\/(answers\/)?/, "").replaceAll("/", ".");
    const one = node(path) ?? node(`instrument.${path}`);
    if (one) marked.push([one, mark(one, suggestions)]);
  }
  const { DOCUMENT_POSITION_FOLLOWING: later } = Node;
  const links = marked.sort(([a], [b]) => (a.compareDocumentPosition(b) & later ? -1 : 1)).map(([, link]) => link);
  const list = here.page.querySelector("#summary");
  list.querySelector("ul").replaceChildren(...links);
  list.hidden = links.length === 0;
  if (links.length) list.focus();
  return links.length > 0;
}

export function mark(one, suggestions) {
  const fault = one.querySelector(".fault"), input = one.matches("fieldset") ? one : control(one);
  const { required, wrong } = fault.dataset;
  const near = suggestions.length ? ` ${filled("nearest", { names: suggestions.join(", ") })}` : "";
  fault.textContent = input.required && !input.value?.trim() ? required : wrong + near;
  fault.hidden = false;
  input.setAttribute("aria-invalid", "true");
  const folded = one.closest("details");
  if (folded) folded.open = true;
  const label = one.querySelector("legend, label").firstChild.textContent.trim();
  const link = el("a", { href: `#${input.id}` }, one.dataset.type === "check" ? fault.textContent : `${label}: ${fault.textContent}`);
  link.addEventListener("click", (event) => { event.preventDefault(); control(one).focus(); });
  return el("li", {}, link);
}
