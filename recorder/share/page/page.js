// The phone page: reads what the recorder says over MQTT and answers it. Everything from the wire becomes text, never markup.
"use strict";

const SILENT_MS = 180000; // a recorder that has said nothing for so long is not shown as live
const UNANSWERED_MS = 15000; // after which an acknowledgement that changed nothing is asked for again
const LOW_CHARGE = 20; // percent; common practice, no source
const JUMP_MS = 2000; // a leap of the phone's clock (or its sleep) by more makes the correction void
const LEVELS = ["critical", "warning", "info"];
const LEVEL_WORDS = { critical: "CRITICAL: act now", warning: "WARNING: see to it", info: "For information" };
const SHAPES = {
  critical: "M7 1h10l6 6v10l-6 6H7l-6-6V7zM11 5v9h2V5zM11 17v3h2v-3z",
  warning: "M12 1l12 22H0zM11 8v8h2V8zM11 18v3h2v-3z",
  info: "M12 1a11 11 0 1 0 .01 0zM11 5v3h2V5zM11 10v9h2v-9z",
  ok: "M3 12l3-3 4 4 8-9 3 3-11 12z",
  bad: "M4 2l8 8 8-8 2 2-8 8 8 8-2 2-8-8-8 8-2-2 8-8-8-8z",
};
const query = new URLSearchParams(location.search);
const root = query.get("root") || "kitchen";
const station = query.get("station");
const byId = (id) => document.getElementById(id);
const known = {}; // topic below the station -> its newest value
const pressed = new Map(); // alert id -> phone's moment of an acknowledgement that is under way
const confirmed = new Set(); // topics that were received since the link came up
const announced = new Set();
const stations = new Map();
let client = null;
let linked = false;
let lostAt = null;
let refusal = ""; // why the broker does not let this page in, if it said so
let told = "";
let fresh = true; // whether the alerts of the first snapshot are still to come
let waiting = null; // the alert that is acknowledged once initials are given

// --- The recorder's time: its own moments, corrected by when they were received here.
let offsets = [];
let newestMs = null;
let lastTick = { wall: Date.now(), steady: performance.now() };

function heardAt(atMs, retained) {
  if (!Number.isFinite(atMs)) return;
  newestMs = retained ? Math.max(newestMs ?? atMs, atMs) : atMs;
  if (!retained) offsets = [...offsets.slice(-19), atMs - Date.now()];
}
function exact() { return offsets.length > 0; }
/** Messages that waited on their way look like a recorder whose clock is behind; which of the two it is can't be known here. */
function disagreement() {
  const gap = exact() ? Math.abs(Math.max(...offsets)) : 0;
  return gap > SILENT_MS ? ` Its clock and this phone's are ${span(gap)} apart: one is wrong, or the news was late.` : "";
}
function recorderNow() {
  const guess = Date.now() + (exact() ? Math.max(...offsets) : 0);
  return newestMs === null ? guess : Math.max(guess, newestMs);
}
function watchClock() {
  const now = { wall: Date.now(), steady: performance.now() };
  if (Math.abs(now.wall - lastTick.wall - (now.steady - lastTick.steady)) > JUMP_MS) offsets = [];
  lastTick = now;
}

// --- Small tools
function make(tag, className, text) {
  const node = document.createElement(tag);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  return node;
}
function draw(tag, attributes) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  return node;
}
function sign(shape) {
  const svg = draw("svg", { class: "sign", viewBox: "0 0 24 24", "aria-hidden": "true" });
  svg.append(draw("path", { d: SHAPES[shape], fill: "currentColor", "fill-rule": "evenodd" }));
  return svg;
}
/** Cut to the tenth, as everywhere else: never rounded up over a limit. */
function tenths(value) { return (Math.floor(Number((value * 10).toFixed(4))) / 10).toFixed(1); }
function put(node, text) { if (node.textContent !== text) node.textContent = text; }
function span(ms) {
  const s = Math.max(0, Math.round(ms / 1000));
  if (s < 60) return `${s} s`;
  if (s < 3600) return `${Math.floor(s / 60)} min`;
  if (s < 172800) return `${Math.floor(s / 3600)} h ${Math.floor((s % 3600) / 60)} min`;
  return `${Math.floor(s / 86400)} days`;
}
function clock(ms) {
  const s = Math.floor(Math.abs(ms) / 1000);
  const two = (n) => String(n).padStart(2, "0");
  return s < 3600 ? `${Math.floor(s / 60)}:${two(s % 60)}` : `${Math.floor(s / 3600)}:${two(Math.floor(s / 60) % 60)}:${two(s % 60)}`;
}
function list(value) { return Array.isArray(value) ? value.filter((item) => item !== null && typeof item === "object") : []; }
function stored(name) { try { return localStorage.getItem(name); } catch { return null; } }
function store(name, value) { try { localStorage.setItem(name, value); } catch { /* private mode: asked again next time */ } }
function initials() { const kept = stored("initials") ?? ""; return /^[A-Za-z0-9]{1,8}$/.test(kept) ? kept : ""; }
/** Keeps one child per key in order, so that a focus or a press survives new data. */
function keyed(parent, items, key, build, update) {
  const old = new Map([...parent.children].map((node) => [node.dataset.key, node]));
  items.forEach((item, index) => {
    const name = String(key(item));
    const node = old.get(name) ?? build(item);
    old.delete(name);
    node.dataset.key = name;
    if (parent.children[index] !== node) parent.insertBefore(node, parent.children[index] ?? null);
    update(node, item);
  });
  for (const node of old.values()) node.remove();
}

// --- How it stands with the link
function standing() {
  if (!linked) return lostAt === null ? "connecting" : "lost";
  if (known.state?.online === false) return "offline";
  if (newestMs === null) return "waiting";
  return recorderNow() - newestMs > SILENT_MS ? "silent" : "live";
}
function showLink() {
  const state = standing();
  const old = newestMs === null ? "Nothing has been received." : `What stands below is ${span(recorderNow() - newestMs)} old.`;
  const words = {
    connecting: ["Connecting", "Nothing is known yet."],
    lost: ["✕ LINK LOST", `${lostAt === null ? "" : `For ${span(Date.now() - lostAt)}. `}${refusal}${old} Trying again.`],
    offline: ["✕ RECORDER IS OFF", `It has left the broker. ${old}`],
    waiting: ["Linked", "Nothing has come from this station yet. If nothing comes: is its name in this page's address right?"],
    silent: ["✕ RECORDER IS SILENT", old],
    live: ["✓ Live", `Last word from the recorder ${exact() ? "" : "about "}${span(recorderNow() - newestMs)} ago.${disagreement()}`],
  }[state];
  byId("link").dataset.state = state;
  put(byId("link-word"), words[0]);
  put(byId("link-age"), words[1]);
  document.body.classList.toggle("stale", state !== "live");
  if (told !== state) { told = state; put(byId("say-link"), `${words[0].replace(/[✓✕] /, "")}. ${words[1]}`); }
}
/** Whether a topic's value may be shown as how it is now. */
function current(topic) { return standing() === "live" && confirmed.has(topic); }
/** The moment that durations are reckoned to: now while current, else the last one known. */
function reckoned(topic) { return current(topic) ? recorderNow() : newestMs ?? recorderNow(); }
function showAge(part, topic, empty, nothing) {
  const value = known[topic];
  const live = current(topic);
  put(byId(`age-${part}`), value && !live && Number.isFinite(value.at_ms) ? `OLD: as it was ${span(recorderNow() - value.at_ms)} ago` : "");
  byId(`none-${part}`).hidden = Boolean(value) && !empty;
  put(byId(`none-${part}`), !value ? "Not known: nothing received" : live ? nothing : `${nothing} then; not known now`);
}

// --- Alerts
function rank(alert) { const at = LEVELS.indexOf(alert.level); return at < 0 ? 0 : at; } // an unknown level is taken as the worst
function buildAlert(alert) {
  const item = make("li", "alert");
  const level = make("p", "level");
  level.append(sign(LEVELS[rank(alert)]), make("span"));
  const button = make("button", "", "Acknowledge");
  button.type = "button";
  button.addEventListener("click", () => acknowledge(item.dataset.key));
  item.append(level, make("p", "text"), make("p", "note"), button);
  return item;
}
function updateAlert(item, alert) {
  const answered = alert.acknowledged_ms !== null && alert.acknowledged_ms !== undefined;
  const level = LEVELS[rank(alert)];
  if (item.dataset.level !== level) item.querySelector("svg").replaceWith(sign(level));
  item.dataset.level = level;
  item.classList.toggle("answered", answered);
  put(item.querySelector(".level span"), LEVEL_WORDS[level]);
  put(item.querySelector(".text"), String(alert.text));
  const repeats = alert.repeats > 0 ? `, told again ${alert.repeats} ×` : "";
  const since = `${current("open") ? "For" : "Was open for"} ${span(reckoned("open") - alert.began_ms)}${repeats}`;
  put(item.querySelector(".note"), answered ? `${since}. Acknowledged by ${alert.acknowledged_by ?? "somebody"}.` : `${since}.`);
  const button = item.querySelector("button");
  const at = pressed.get(String(alert.id));
  const unanswered = at !== undefined && Date.now() - at > UNANSWERED_MS;
  if (answered) pressed.delete(String(alert.id));
  button.hidden = answered;
  const words = !linked ? "No link: can't acknowledge" : at === undefined ? "Acknowledge" : unanswered ? "No answer yet. Acknowledge again" : "Sent to the recorder …";
  put(button, words);
  button.setAttribute("aria-label", `${words}: ${alert.text}`);
  button.setAttribute("aria-disabled", String(!linked || (at !== undefined && !unanswered)));
}
function acknowledge(id) {
  const at = pressed.get(id);
  if (!linked || (at !== undefined && Date.now() - at <= UNANSWERED_MS)) return;
  if (!initials()) { waiting = id; return ask(); }
  pressed.set(id, Date.now());
  client.publish(`${root}/${station}/acknowledge`, JSON.stringify({ alert: id, by: initials() }), { qos: 1 }, (error) => {
    if (error) pressed.delete(id);
    show();
  });
  show();
}
function ask() { byId("initials").value = initials(); byId("ask").showModal(); byId("initials").focus(); }
/** A receipt goes out once per alert, and only when its text can really be looked at. */
function receipts(alerts) {
  if (!linked || document.visibilityState !== "visible") return;
  const name = `seen ${root}/${station}`;
  const sent = (stored(name) ?? "").split("\n");
  for (const alert of alerts) {
    const mark = `${alert.id} ${alert.began_ms}`;
    if (announced.has(`seen ${mark}`) || sent.includes(mark)) continue;
    announced.add(`seen ${mark}`);
    const by = initials() ? `${initials()} phone` : "phone";
    client.publish(`${root}/${station}/seen`, JSON.stringify({ alert: String(alert.id), by }), { qos: 1 }, (error) => {
      if (error) { announced.delete(`seen ${mark}`); return; }
      store(name, [...(stored(name) ?? "").split("\n").slice(-200), mark].join("\n"));
    });
  }
}
function announce(alerts) {
  const news = alerts.filter((alert) => !alert.acknowledged_ms && !announced.has(`${alert.id} ${alert.began_ms} ${alert.level}`));
  for (const alert of news) {
    announced.add(`${alert.id} ${alert.began_ms} ${alert.level}`);
    if (!fresh && window.Notification?.permission === "granted" && document.visibilityState !== "visible") {
      try { new Notification(`${LEVEL_WORDS[LEVELS[rank(alert)]]} (${station})`, { body: String(alert.text), tag: String(alert.id) }); } catch { /* needs a worker here */ }
    }
  }
  fresh = false;
  if (news.length) put(byId("say-alert"), news.map((alert) => `${LEVEL_WORDS[LEVELS[rank(alert)]]}. ${alert.text}`).join(" "));
}
function showAlerts() {
  const alerts = list(known.open?.alerts);
  alerts.sort((a, b) => Boolean(a.acknowledged_ms) - Boolean(b.acknowledged_ms) || rank(a) - rank(b) || a.began_ms - b.began_ms);
  keyed(byId("alerts"), alerts, (alert) => alert.id, buildAlert, updateAlert);
  showAge("open", "open", alerts.length === 0, "No open alerts");
  const unanswered = alerts.filter((alert) => !alert.acknowledged_ms).length;
  put(byId("h-alerts"), unanswered ? `Alerts: ${unanswered} to answer` : "Alerts");
  document.title = `${unanswered ? `(${unanswered}) ` : ""}${standing() === "live" ? "" : "✕ "}${station}`;
  receipts(alerts);
}

// --- Batches
function buildBatch() {
  const item = make("li", "batch");
  const bar = make("div", "bar");
  bar.setAttribute("aria-hidden", "true");
  bar.append(make("i"));
  const clock = make("p", "clock");
  clock.append(make("span"), make("small"));
  item.append(make("h3"), clock, make("p", "so-far"), bar, make("p", "note"));
  return item;
}
function updateBatch(item, batch, from, due, overdue) {
  const now = reckoned("batches");
  const was = current("batches") ? "" : "was ";
  const ticking = Number.isFinite(from);
  const checks = batch.checks_needed ? `${batch.checks_passed} of ${batch.checks_needed} checks passed` : "";
  put(item.querySelector("h3"), `Batch ${batch.number}${batch.vat === null || batch.vat === undefined ? "" : `, vat\u00a0${batch.vat}`}`);
  put(item.querySelector(".note"), [ticking ? "" : batch.stage, `${batch.pieces} pieces`, checks, batch.proven ? "✓\u00a0proven" : batch.stage === "holding" ? "✕\u00a0NOT\u00a0PROVEN" : ""].filter(Boolean).join(" · "));
  const over = ticking && Number.isFinite(due) && now >= due;
  const [big, small] = item.querySelector(".clock").children;
  put(big, !ticking ? "" : Number.isFinite(due) ? `${over ? "+" : ""}${clock(due - now)}` : clock(now - from));
  put(small, !ticking ? "" : `${was}${!Number.isFinite(due) ? "so far" : over ? "over" : "left"}`);
  put(item.querySelector(".so-far"), !ticking || !Number.isFinite(due) ? "" : `${was}${over ? `${overdue}, ` : ""}${batch.stage === "returned" ? "back in the oil" : batch.stage} for ${clock(now - from)} of ${clock(due - from)}`);
  item.querySelector(".clock").classList.toggle("over", over);
  const bar = item.querySelector(".bar");
  bar.hidden = !ticking || !Number.isFinite(due);
  bar.firstChild.style.width = `${Math.min(100, Math.max(0, (100 * (now - from)) / (due - from)))}%`;
}
function showBatches() {
  const all = list(known.batches?.open);
  const holding = all.filter((batch) => batch.stage === "holding").sort((a, b) => (a.hold_limit_ms ?? Infinity) - (b.hold_limit_ms ?? Infinity));
  const rest = all.filter((batch) => batch.stage !== "holding").sort((a, b) => (a.cook_due_ms ?? Infinity) - (b.cook_due_ms ?? Infinity));
  keyed(byId("holding"), holding, (batch) => batch.number, buildBatch, (item, batch) => updateBatch(item, batch, batch.hold_started_ms ?? NaN, batch.hold_limit_ms ?? NaN, "past its limit"));
  keyed(byId("cooking"), rest, (batch) => batch.number, buildBatch, (item, batch) => {
    const cooking = batch.stage === "cooking" || batch.stage === "returned";
    updateBatch(item, batch, cooking ? batch.cook_started_ms ?? NaN : NaN, cooking ? batch.cook_due_ms ?? NaN : NaN, "overdue");
  });
  showAge("holding", "batches", holding.length === 0, "Nothing is holding");
  showAge("cooking", "batches", rest.length === 0, "Nothing is cooking");
}

// --- Checks as small charts
const MARKS = {
  passed: (x, y) => draw("circle", { class: "ok", cx: x, cy: y, r: 6 }),
  "below target": (x, y) => draw("path", { class: "low", d: `M${x} ${y - 8}l8 14h-16z` }),
  "below critical limit": (x, y) => draw("path", { class: "unsafe", d: `M${x - 7} ${y - 7}h14v14h-14z` }),
};
function chart(checks, unit) {
  const [width, height, left, right, top] = [320, 120, 12, 118, 14];
  const last = checks[checks.length - 1];
  const values = checks.flatMap((check) => [check.temperature, check.target, check.critical_limit]).filter(Number.isFinite);
  const [low, high] = [Math.min(...values) - 2, Math.max(...values) + 2];
  const y = (value) => top + (height - 2 * top) * (1 - (value - low) / (high - low));
  const x = (index) => (checks.length < 2 ? (left + width - right) / 2 : left + ((width - right - left) * index) / (checks.length - 1));
  const svg = draw("svg", { viewBox: `0 0 ${width} ${height}`, role: "img" });
  svg.setAttribute("aria-label", `Checks, oldest first: ${checks.map((c) => `${tenths(c.temperature)} °${unit} ${c.verdict}`).join(", ")}. Target ${last.target}, critical limit ${last.critical_limit} °${unit}.`);
  const lines = [["target", "target", last.target], ["limit", "critical", last.critical_limit]].filter(([, , value]) => Number.isFinite(value));
  let before = null;
  for (const [name, word, value] of lines.sort((a, b) => a[2] - b[2]).reverse()) {
    svg.append(draw("path", { class: name, d: `M0 ${y(value)}H${width - right + 8}` }));
    const at = before !== null && y(value) + 5 - before < 17 ? before + 17 : y(value) + 5;
    const label = draw("text", { x: width - right + 13, y: at });
    label.textContent = `${word} ${value}`;
    svg.append(label);
    before = at;
  }
  svg.append(draw("path", { class: "way", d: checks.map((check, i) => `${i ? "L" : "M"}${x(i)} ${y(check.temperature)}`).join("") }));
  checks.forEach((check, i) => svg.append((Object.hasOwn(MARKS, check.verdict) ? MARKS[check.verdict] : MARKS["below critical limit"])(x(i), y(check.temperature))));
  return svg;
}
function showChecks() {
  const checks = list(known.checks?.checks).filter((check) => Number.isFinite(check.temperature));
  const parts = new Map();
  for (const check of checks) {
    const name = `${check.part ?? "piece"} °${check.unit}`;
    parts.set(name, [...(parts.get(name) ?? []), check]);
  }
  keyed(byId("checks"), [...parts].sort(), ([name]) => name, () => {
    const box = make("div", "chart");
    box.append(make("h3"), make("p", "last"), make("p", "note"), make("svg"));
    return box;
  }, (box, [, some]) => {
    const last = some[some.length - 1];
    put(box.querySelector("h3"), String(last.part ?? "piece"));
    put(box.querySelector(".last"), `${last.verdict === "passed" ? "●" : last.verdict === "below target" ? "▲" : "■"} ${tenths(last.temperature)} °${last.unit}, ${last.verdict}`);
    put(box.querySelector(".note"), `Batch ${last.batch}, ${span(recorderNow() - last.at_ms)} ago${last.probe_was && last.probe_was !== "passed" ? `; its probe was ${last.probe_was}` : ""}`);
    const drawn = JSON.stringify(some);
    if (box.drawn !== drawn) { box.drawn = drawn; box.lastChild.replaceWith(chart(some, last.unit)); }
  });
  showAge("checks", "checks", checks.length === 0, "No checks yet");
}

// --- The recorder itself
function showHealth() {
  const health = known.health;
  const rows = [];
  const probes = health?.probes && typeof health.probes === "object" ? health.probes : {};
  for (const [channel, word] of Object.entries(probes)) {
    const reading = known[`reading/${channel}`];
    const age = reading ? recorderNow() - reading.at_ms : NaN;
    const unit = list(known.checks?.checks).at(-1)?.unit ?? "C";
    const degrees = reading && Number.isFinite(reading.temp_c) ? tenths(unit === "F" ? reading.temp_c * 1.8 + 32 : reading.temp_c) : null;
    const value = word === "ok" && degrees !== null ? `, ${standing() === "live" && age < 60000 ? "" : "was "}${degrees} °${unit}${age < 10000 ? "" : ` ${span(age)} ago`}` : "";
    rows.push([`Probe ${channel}`, `${word}${value}`, word === "ok"]);
  }
  const charges = health?.charges && typeof health.charges === "object" ? health.charges : {};
  for (const [channel, percent] of Object.entries(charges)) {
    rows.push([`Battery of ${channel}`, `${percent} %${percent < LOW_CHARGE ? ", charge it or change it" : ""}`, percent >= LOW_CHARGE]);
  }
  if (health) {
    rows.push(["Hearing", String(health.hearing), health.hearing === "well"]);
    rows.push(["Clock", health.clock_known ? "set" : "not set: times are not known for sure", health.clock_known === true]);
    rows.push(["Unsent messages", health.unsent ? `${health.unsent} wait on the recorder` : "none", !health.unsent]);
    rows.push(["Free disk", health.free_mb < 1000 ? `${health.free_mb} MB` : `${(health.free_mb / 1000).toFixed(1)} GB`, health.free_mb >= 100]);
    rows.push(["Version", String(health.version), true]);
  }
  rows.sort((a, b) => a[2] - b[2]); // what is in trouble comes first
  keyed(byId("health"), rows, ([name]) => name, () => {
    const item = make("li", "row");
    item.append(sign("ok"), make("span"));
    item.lastChild.append(make("strong"), make("span"));
    return item;
  }, (item, [name, word, well]) => {
    if (item.dataset.well !== String(well)) item.querySelector("svg").replaceWith(sign(well ? "ok" : "bad"));
    item.dataset.well = String(well);
    item.classList.toggle("bad", !well);
    put(item.lastChild.firstChild, `${well ? "" : "Trouble: "}${name}`);
    put(item.lastChild.lastChild, `: ${word}`);
  });
  showAge("health", "health", rows.length === 0, "Nothing told");
  const age = health ? recorderNow() - health.at_ms : 0;
  if (current("health") && age > SILENT_MS) put(byId("age-health"), `OLD: as it was ${span(age)} ago`);
}

function showStations() {
  byId("stations-none").hidden = stations.size > 0;
  keyed(byId("stations-list"), [...stations].sort(), ([name]) => name, () => { const item = make("li"); item.append(make("a")); return item; }, (item, [name, online]) => {
    item.firstChild.href = `?${new URLSearchParams({ station: name, root })}`;
    put(item.firstChild, `${name}: ${online ? "on" : "off"}`);
  });
}
function show() {
  if (!station) {
    const state = linked ? "live" : lostAt === null ? "connecting" : "lost";
    byId("link").dataset.state = state;
    put(byId("link-word"), { live: "✓ Linked", connecting: "Connecting", lost: "✕ LINK LOST" }[state]);
    if (told !== state) { told = state; put(byId("say-link"), byId("link-word").textContent); }
    return showStations();
  }
  showLink(); showAlerts(); showBatches(); showChecks(); showHealth();
  return undefined;
}

function arrived(topic, payload, packet) {
  let value;
  try { value = JSON.parse(new TextDecoder().decode(payload)); } catch { value = null; }
  if (value === null || typeof value !== "object") value = null;
  if (!station) {
    const name = topic.slice(root.length + 1).split("/")[0];
    if (value) stations.set(name, value.online === true); else stations.delete(name);
    return show();
  }
  const part = topic.slice(`${root}/${station}/`.length);
  if (value === null) { if (payload.length === 0) delete known[part]; return show(); } // what is no JSON changes nothing
  known[part] = value;
  confirmed.add(part);
  heardAt(value.at_ms, packet.retain);
  if (part === "open") announce(list(value.alerts));
  return show();
}
function connect() {
  client = mqtt.connect(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/mqtt`, {
    clean: true, keepalive: 30, reconnectPeriod: 2000, connectTimeout: 8000, queueQoSZero: false, resubscribe: false, reconnectOnConnackError: true,
  });
  client.on("connect", () => {
    linked = true;
    lostAt = null;
    refusal = "";
    offsets = [];
    delete known.state; // the broker tells it again
    confirmed.clear();
    const topics = station ? ["open", "batches", "checks", "health", "state", "reading/+"].map((part) => `${root}/${station}/${part}`) : [`${root}/+/state`];
    client.subscribe(topics, { qos: 1 });
    show();
  });
  client.on("close", () => {
    if (linked || lostAt === null) lostAt = Date.now();
    linked = false;
    pressed.clear();
    show();
  });
  client.on("error", (error) => { // "close" follows and shows it
    if (error.code > 0) refusal = `The broker refuses this page (${error.message}): its listener must allow it in without a password. `;
  });
  client.on("message", arrived);
}

function showWho() { put(byId("who"), initials() ? `Your initials: ${initials()}. Change` : "Set your initials"); }
function showNotify() {
  const able = "Notification" in window && window.isSecureContext;
  byId("notify").hidden = !able || Notification.permission !== "default";
  put(byId("notify-word"), !able ? "Notifications need this page over https." : { granted: "Notifications are on while this page is open.", denied: "Notifications are blocked in this browser's settings.", default: "" }[Notification.permission]);
}
byId("who").addEventListener("click", () => { waiting = null; ask(); });
byId("ask-no").addEventListener("click", () => byId("ask").close());
byId("ask").addEventListener("cancel", () => { waiting = null; });
byId("ask-form").addEventListener("submit", (event) => {
  event.preventDefault();
  store("initials", byId("initials").value.toUpperCase());
  byId("ask").close();
  showWho();
  if (waiting !== null) acknowledge(waiting);
  waiting = null;
});
byId("notify").addEventListener("click", () => Notification.requestPermission().then(showNotify));
document.addEventListener("visibilitychange", show);
byId("station").hidden = !station;
byId("stations").hidden = Boolean(station);
put(byId("title"), station ? `${root} · ${station}` : root);
showWho();
showNotify();
if ([root, station ?? ""].some((part) => /[+#]/.test(part))) {
  put(byId("link-word"), "This address names no station");
  put(byId("link-age"), "root and station must not have + or # in them.");
} else {
  connect();
  show();
  setInterval(() => { watchClock(); show(); }, 1000);
}
