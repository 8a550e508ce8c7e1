// The active alerts: brought up to date item by item, by the names that the server gives them. The focus, what is being
// typed and what is unfolded stay.
import { arrange, arrangeRows, findLive } from "./live.js";

const place = document.getElementById("open");

// One request at a time, repeated until it succeeds: an older response must not replace a newer one, and a failed
// request must not leave an old list in place.
let refreshing = false;
let again = false;
export async function refreshActive() {
  if (!place && !document.querySelector("[data-refresh]")) return;
  again = true;
  if (refreshing) return;
  refreshing = true;
  try {
    while (again) { again = false; await (place ? update() : refreshParts()); }
  } catch {
    setTimeout(refreshActive, 3000);
  } finally {
    refreshing = false;
  }
}

let onNew = () => {};
export const whenNew = (act) => { onNew = act; };

async function update() {
  const state = document.getElementById("state");
  const answer = await fetch(`${place.dataset.from}?have=${encodeURIComponent(state.dataset.version)}`, { credentials: "same-origin" });
  if (answer.redirected) { location.reload(); return; }
  if (!answer.ok) throw new Error(answer.statusText);
  const data = await answer.json();
  state.dataset.version = data.version;
  const before = new Set([...place.querySelectorAll("[data-alert]")].map((one) => one.dataset.alert));
  for (const section of data.sections) updateSection(section, data.items);
  const verdict = document.getElementById("verdict"), changed = verdict.textContent !== data.verdict;
  verdict.textContent = data.verdict;
  const sent = document.getElementById("sent");
  sent.hidden = !data.note;
  sent.textContent = data.note;
  showCount(data.count);
  arrangeRows(data);
  findLive();
  const added = [...place.querySelectorAll('[data-state="unacknowledged"]')].filter((one) => !before.has(one.dataset.alert) && one.dataset.priority !== "low");
  const news = added.map((one) => `${one.closest("[data-key]").querySelector(".machine").textContent}: ${one.querySelector("a").textContent}`);
  if (news.length || changed) document.getElementById("announced").textContent = news[0] ?? data.verdict; // one line
  if (news.length) onNew(news[0]);
}

// Parts of other pages: brought up to date from the page itself.
async function refreshParts() {
  const answer = await fetch(location.href, { credentials: "same-origin" });
  if (answer.redirected) { location.reload(); return; }
  if (!answer.ok) throw new Error(answer.statusText);
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const part of document.querySelectorAll("[data-refresh]")) morph(part, document.adoptNode(fresh.getElementById(part.id)));
}

function updateSection({ id, heading, keys }, items) {
  const section = document.getElementById(id), list = section.querySelector(".list");
  const title = section.querySelector("h3, summary");
  if (title && title.parentElement === section && title.textContent !== heading) title.textContent = heading;
  const had = new Map([...list.children].map((one) => [one.dataset.item, one]));
  const wanted = keys.map((key) => {
    const own = had.get(key);
    had.delete(key);
    if (!(key in items) && own) return own;
    const template = document.createElement("template");
    template.innerHTML = items[key];
    const fresh = template.content.firstElementChild;
    if (own) { own.classList.remove("gone"); morph(own, fresh); return own; }
    fresh.classList.add("news");
    return fresh;
  });
  for (const one of had.values()) {
    if (one.contains(document.activeElement)) leave(one); else one.remove();
  }
  arrange(list, wanted);
  section.hidden = list.children.length === 0;
}

// An item that is in use stays until it is left, marked and without effect.
function leave(one) {
  if (one.classList.contains("gone")) return;
  one.classList.add("gone");
  one.addEventListener("focusout", () => setTimeout(() => {
    if (!one.classList.contains("gone") || one.contains(document.activeElement)) return;
    const section = one.closest(".section");
    one.remove();
    section.hidden = section.querySelector(".list").children.length === 0;
  }));
}

// Makes one element equal to another without replacing what is the same in both.
function morph(from, to) {
  if (from.nodeType !== Node.ELEMENT_NODE) { if (from.nodeValue !== to.nodeValue) from.nodeValue = to.nodeValue; return; }
  for (const { name } of [...from.attributes]) if (!to.hasAttribute(name) && !(name === "open" && "keep" in from.dataset) && name !== "disabled") from.removeAttribute(name);
  for (const { name, value } of to.attributes) if (from.getAttribute(name) !== value) from.setAttribute(name, value);
  if ("live" in from.dataset || "since" in from.dataset || from.matches(".wrong")) return; // filled here
  const ours = [...from.childNodes];
  const wanted = [...to.childNodes].map((one) => {
    const k = ours.findIndex((own) => nameOf(own) === nameOf(one));
    if (k < 0) return one;
    const [own] = ours.splice(k, 1);
    morph(own, one);
    return own;
  });
  for (const one of ours) one.remove();
  arrange(from, wanted);
}
// By this, a part of an item is found again: an alert by its id, others by what they are.
const nameOf = (one) => one.dataset?.alert ?? `${one.nodeName} ${one.dataset ? one.classList[0] ?? "" : ""}`;

// The number of hammers that need action, in the title and on the icon.
function showCount(count) {
  if (!place.dataset.title) return;
  document.title = (count ? `(${count}) ` : "") + place.dataset.title;
  const icon = document.querySelector('link[rel="icon"]');
  icon.dataset.plain ??= icon.href;
  const badge = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 24"><path d="M9 2h6v9h-6zM10 12h4v4l-2 6-2-6z" fill="#b4532a"/><circle cx="16" cy="16" r="8" fill="#a3160f"/><text x="16" y="20.5" font-family="sans-serif" font-size="12" font-weight="700" text-anchor="middle" fill="#fff">${count > 9 ? "9+" : count}</text></svg>`;
  icon.href = count ? `data:image/svg+xml,${encodeURIComponent(badge)}` : icon.dataset.plain;
}
if (place) showCount(Number(document.getElementById("state").dataset.count));

// Acknowledges every group of a list, one after the other.
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-each]");
  for (const form of button ? document.querySelectorAll(`${button.dataset.each} form`) : []) form.requestSubmit();
});
