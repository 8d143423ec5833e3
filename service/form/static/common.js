/* What all parts of the form share: the page that it stands in, small helpers, and questions to the service. */
export const here = { names: new Map() }; // service, key, range, reference, page, form, said, after, texts

export function el(name, about = {}, ...children) {
  const made = document.createElement(name);
  for (const [attribute, value] of Object.entries(about)) {
    if (value !== null && value !== undefined && value !== false) made.setAttribute(attribute, value === true ? "" : value);
  }
  made.append(...children);
  return made;
}
export const filled = (name, places = {}) => here.texts[name].replace(/\{(\w+)\}/g, (_, place) => places[place] ?? "");
export const say = (text, bad = false) => { here.said.textContent = text; here.said.classList.toggle("bad", bad); };
export const node = (name) => here.page.querySelector(`[data-name="${CSS.escape(name)}"]`);
export const control = (one) => one.querySelector("input:checked") ?? one.querySelector("select, textarea, input");
export const random = () => [...crypto.getRandomValues(new Uint32Array(4))].map((part) => part.toString(16)).join("-");
export const same = (one, other) => one.trim().toLowerCase() === other.trim().toLowerCase();

// ── asking the service ──

export async function ask(path, body, proof) {
  const headers = { Authorization: `Bearer ${here.key}` };
  if (body) {
    const sent = path + body; // a second try after a lost answer has the same name, and does nothing twice
    if (!here.names.has(sent)) here.names.set(sent, random());
    Object.assign(headers, { "Content-Type": "application/json", "Idempotency-Key": here.names.get(sent) });
  }
  if (proof) headers["Proof-Of-Work"] = proof;
  let answer;
  try {
    answer = await fetch(here.service + path, { method: body ? "POST" : "GET", headers, body, credentials: "omit" });
  } catch { throw new Error(here.texts.network); }
  const told = await answer.json().catch(() => ({}));
  if (answer.ok) return told;
  if (told.proof && !proof && crypto.subtle) {
    say(here.texts.proving);
    return ask(path, body, await prove(told.proof));
  }
  throw Object.assign(new Error(refusal(answer)), { faults: told.errors ?? [] });
}

export function refusal(answer) {
  if (answer.status === 401 || answer.status === 403) return here.texts.refused;
  if (answer.status === 429) return filled("later", { seconds: answer.headers.get("Retry-After") ?? "60" });
  return answer.status === 422 ? here.texts.faults_title : here.texts.failed;
}

// Tries numbers, many at once, until the digest begins with as many zero bits as the service asks for.
export async function prove({ challenge, bits }) {
  const letters = new TextEncoder();
  for (let from = 0; ; from += 512) {
    const tries = Array.from({ length: 512 }, (_, at) => `${challenge}:${from + at}`);
    const digests = await Promise.all(tries.map((one) => crypto.subtle.digest("SHA-256", letters.encode(one))));
    const found = digests.findIndex((one) => new DataView(one).getUint32(0) >>> (32 - bits) === 0);
    if (found >= 0) return tries[found];
  }
}
