/* The one line that puts the form into a page. On the form's own page (data-here) it finds it there; in anybody's
   page it fetches it into a shadow root, so that neither page's style reaches the other. No library, no third party. */
"use strict";
{
const tag = document.currentScript, service = new URL(tag.src).origin;
const { key, language = "", reference, range = "yes" } = tag.dataset;

async function start(page) {
  const { begin } = await import(service + page.dataset.script);
  begin({ service, key, reference, range, page });
}

async function fetched(path) {
  const answer = await fetch(service + path, { credentials: "omit" });
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  return answer.text();
}

async function embed() {
  const host = document.createElement("div"), root = host.attachShadow({ mode: "open" });
  if (tag.closest("head")) document.body.append(host); else tag.after(host);
  try {
    const text = await fetched(`/form/fragment?language=${encodeURIComponent(language)}`);
    const page = new DOMParser().parseFromString(text, "text/html").querySelector(".bookmatch");
    for (const picture of page.querySelectorAll("img")) picture.setAttribute("src", service + picture.getAttribute("src"));
    const style = new CSSStyleSheet(); // made by script, so that the page's own policy need not let a style in
    const sheet = await fetched(page.dataset.style);
    style.replaceSync(sheet.replace(/([\d.]+)rem/g, (_, size) => `${16 * size}px`)); // a page can redefine rem
    root.adoptedStyleSheets = [style];
    root.append(page);
    await start(page);
  } catch (error) {
    // A browser does not tell a script whether the network failed or the service does not know the page.
    const said = document.createElement("p");
    said.setAttribute("role", "alert");
    said.textContent = `The form cannot be shown: no answer from ${service}, or its key is not for ${location.origin}.`;
    root.replaceChildren(said);
    console.warn(error.message);
  }
}

if ("here" in tag.dataset) start(document.querySelector("main .bookmatch")); else embed();
}
