// Notifications on this device: switched on and off, and tried, on the page Preferences.
import { post, showProblem } from "./page.js";

const section = document.getElementById("push"), form = document.getElementById("push-form");
const texts = JSON.parse(section.dataset.texts), state = document.getElementById("push-state");
const [on, off, test] = ["on", "off", "test"].map((name) => document.getElementById(`push-${name}`));
const say = (name) => { state.textContent = texts[name]; };
let key = null;

const bytesOf = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (one) => one.charCodeAt(0));
const ready = async () => (await navigator.serviceWorker.ready).pushManager;

async function show() {
  const subscription = await (await ready()).getSubscription();
  const found = subscription && (await send("find", { endpoint: subscription.endpoint }));
  const subscribed = Boolean(found?.subscribed);
  document.getElementById("push-controls").hidden = false;
  on.hidden = subscribed;
  off.hidden = test.hidden = !subscribed;
  if (found?.lowest) form.elements.lowest.value = found.lowest;
  say(subscribed ? "is_on" : "is_off");
}

// Returns the answer, or null after showing what is wrong.
async function send(operation, body) {
  form.querySelector(".wrong").textContent = "";
  try {
    const { ok, answer } = await post(`/api/v1/push/${operation}`, body);
    if (ok) return answer;
    showProblem(form, answer);
  } catch {
    showProblem(form, { error: document.body.dataset.unsent });
  }
  return null;
}

async function subscribe() {
  if ((await Notification.requestPermission()) !== "granted") return say("denied");
  let subscription;
  try {
    const manager = await ready(), options = { userVisibleOnly: true, applicationServerKey: bytesOf(key) };
    const earlier = await manager.getSubscription();
    if (earlier && !sameKey(earlier)) await earlier.unsubscribe(); // it was made for another processor
    subscription = await manager.subscribe(options);
  } catch {
    return say("no_service");
  }
  const { endpoint, keys } = subscription.toJSON();
  if (await send("subscribe", { endpoint, keys, lowest: form.elements.lowest.value })) await show();
}

function sameKey(subscription) {
  const own = new Uint8Array(subscription.options.applicationServerKey ?? []);
  return own.length > 0 && own.every((byte, k) => byte === bytesOf(key)[k]);
}

on.addEventListener("click", subscribe);
form.addEventListener("change", () => { if (on.hidden) subscribe(); });
off.addEventListener("click", async () => {
  const subscription = await (await ready()).getSubscription();
  if (subscription && (await send("unsubscribe", { endpoint: subscription.endpoint }))) await subscription.unsubscribe();
  await show();
});
test.addEventListener("click", async () => {
  const subscription = await (await ready()).getSubscription();
  if (subscription && (await send("test", { endpoint: subscription.endpoint }))) say("tested");
});

async function begin() {
  if (!document.body.dataset.csrf) return; // nobody is signed in
  const answer = await fetch("/api/v1/push", { credentials: "same-origin" }).then((response) => response.json()).catch(() => null);
  if (!answer) return say("no_connection");
  if (!answer.enabled) return say("not_offered");
  key = answer.public_key;
  if (!isSecureContext) return say("not_secure");
  if (!("serviceWorker" in navigator && "PushManager" in window)) return say("not_supported");
  if (Notification.permission === "denied") return say("denied");
  await show();
}
begin();
