// The phone page: reads what the recorder says over MQTT and answers it. Everything from the wire is checked
// (messages.js) and becomes text, never markup; whether the station lives, life.js says.
"use strict";

const UNANSWERED_MS = 15000; // after which an acknowledgement that changed nothing is asked for again
const READING_MS = 60000; // an older reading is shown as what was
const BEHIND_MS = 3000; // a state may come so much later than the sign of life that names it
const FUTURE_MS = 2000; // a moment that lies further ahead of the station's own time is not known
const LONG_TEXT = 160; // letters; longer ones are set smaller
const MOST_TOPICS = 100;
const LOW_CHARGE = 20; // percent; common practice, no source
const APART_MS = 180000; // clocks that differ by more are mentioned
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
const steady = new Steady();
const known = new Map(); // topic below the station -> { value, at: steady ms, here: came on this connection, retained }
const refused = new Map(); // topic below the station -> what is wrong with its newest message
const proven = new Map(); // topic -> { stamp, atMs, steadyMs }: when its value was last known to be how things stand
const behind = new Map(); // topic -> steady ms since when a newer value is said to exist
const undrawn = new Map(); // section -> why it could not be drawn
const pressed = new Map(); // alert id -> steady ms of an acknowledgement that is under way
const announced = new Set();
const stations = new Map(); // name -> { online, life }
const life = new Life(steady);
let client = null;
let linked = false;
let lostAt = null;
let demo = false; // what stands here is an invented shift in fast motion, and its clock is the story's
let off = false; // the broker's will, or the station's goodbye
let stale = false; // this page slept while it was hidden: its connection is not to be trusted
let told = "";
let fresh = true; // whether the alerts of the first snapshot are still to come
let waiting = null; // the alert that is acknowledged once initials are given
let account = null; // name and password, once they are given or where this phone keeps them
let denied = ""; // why the broker does not let this page in

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
function stored(name) { try { return localStorage.getItem(name); } catch { return null; } }
function store(name, value) { try { if (value === null) localStorage.removeItem(name); else localStorage.setItem(name, value); } catch { /* private mode: asked again next time */ } }
function initials() { const kept = stored("initials") ?? ""; return /^[A-Za-z0-9]{1,8}$/.test(kept) ? kept : ""; }
/** Keeps one child per key in order, so that a focus or a press survives new data. */
function keyed(parent, items, key, build, update) {
  const old = [...parent.children];
  const byKey = new Map(old.map((node) => [node.dataset.key, node]));
  const used = new Set();
  items.forEach((item, index) => {
    const name = String(key(item));
    const node = byKey.get(name) ?? build(item);
    used.add(node);
    node.dataset.key = name;
    if (parent.children[index] !== node) parent.insertBefore(node, parent.children[index] ?? null);
    update(node, item);
  });
  for (const node of old) if (!used.has(node)) node.remove();
}

// --- How it stands with the link
function standing() {
  if (denied) return "denied";
  if (!linked) return lostAt === null ? "connecting" : "lost";
  if (off) return "offline";
  if (life.alive()) return refused.size || undrawn.size ? "partly" : "live";
  return life.age() === null && life.waited() < ASLEEP_MS ? "waiting" : "silent";
}
function here() { const state = standing(); return state === "live" || state === "partly"; }
function showLink() {
  const state = standing();
  const was = known.size ? "What stands below is old." : "Nothing has been received.";
  const sign = `last sign of life ${span(life.age() ?? 0)} ago.`;
  const others = [...refused].filter(([part]) => ["state", "alive", "demo"].includes(part));
  const words = {
    connecting: ["Connecting", "Nothing is known yet."],
    denied: ["✕ NOT LOGGED IN", `${denied} ${was}`],
    lost: ["✕ LINK LOST", `${lostAt === null ? "" : `For ${span(steady.now() - lostAt)}. `}${was} Trying again.`],
    offline: ["✕ RECORDER IS OFF", `It has left the broker. ${was}`],
    waiting: ["Linked", `Waiting for the station's sign of life, one in ${SIGN_EVERY_S} s. ${known.size ? "What stands below may be old." : was}`],
    silent: ["✕ RECORDER IS SILENT", `No sign of life for ${span(life.age() ?? life.waited())}, where one in ${SIGN_EVERY_S} s is due. ${was}${known.size ? "" : " Is the station's name in this page's address right?"}`],
    partly: ["✕ NOT ALL CAN BE SHOWN", `The recorder lives, but this page can't show all that it says; ${sign}`],
    live: ["✓ Live", `· ${sign}${disagreement()}`],
  }[state];
  byId("demo").hidden = !demo;
  byId("link").dataset.state = state;
  put(byId("link-word"), words[0]);
  put(byId("link-age"), `${words[1]}${others.map(([part, why]) => ` Its newest message on ${part} can't be read: ${why.slice(0, 200)}.`).join("")}`);
  byId("login-open").hidden = state !== "denied";
  if (told !== state) { told = state; put(byId("say-link"), `${words[0].replace(/[✓✕] /, "")}. ${words[1]}`); }
}
function disagreement() {
  const gap = here() && !demo ? Math.abs(life.now() - Date.now()) : 0;
  return gap > APART_MS ? ` Its clock and this phone's are ${span(gap)} apart: one of them is wrong.` : "";
}
/** Whether a topic's value may be shown as how it is now. The station names the stamp of the newest one. */
function current(topic) {
  const entry = known.get(topic);
  if (!here() || !entry?.here || refused.has(topic)) return false;
  const newest = life.newest?.get(topic);
  const later = newest !== undefined && entry.at > life.signMs && !entry.retained && entry.value.at_ms > newest;
  if (newest === undefined || newest === entry.value.at_ms || later) { behind.delete(topic); return true; }
  if (!behind.has(topic)) behind.set(topic, steady.now());
  return proven.get(topic)?.stamp === entry.value.at_ms && steady.now() - behind.get(topic) < BEHIND_MS;
}
/** The moment of the station's time that a topic's durations are reckoned to, and whether that is now. */
function reckoned(topic) {
  const entry = known.get(topic);
  if (current(topic)) {
    proven.set(topic, { stamp: entry.value.at_ms, atMs: life.anchor.atMs, steadyMs: life.signMs });
    return { at: life.now(), now: true };
  }
  const last = proven.get(topic);
  return { at: last && last.stamp === entry?.value.at_ms ? last.atMs : entry?.value.at_ms ?? 0, now: false };
}
/** How long something has lasted, in ms; NaN where its beginning lies ahead, so that nobody knows; a story runs ahead. */
function lasted(from, at) { return from > at + FUTURE_MS && !demo ? NaN : Math.max(0, at - from); }
function showAge(part, topic, empty, nothing) {
  const entry = known.get(topic);
  const now = current(topic);
  const last = proven.get(topic);
  const old = last && entry && last.stamp === entry.value.at_ms ? `as it was about ${span(steady.now() - last.steadyMs)} ago` : `how old is not known${entry ? `; the recorder's clock said ${stamp(entry.value.at_ms)}` : ""}`;
  put(byId(`age-${part}`), entry && !now ? `OLD: ${old}` : "");
  byId(`none-${part}`).hidden = Boolean(entry) && !empty;
  put(byId(`none-${part}`), !entry ? "Not known: nothing received" : now ? nothing : `${nothing} then; not known now`);
}
function stamp(ms) { return new Date(ms).toLocaleString(undefined, { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" }); }

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
  const answered = alert.acknowledged_ms !== null;
  const { at: moment, now } = reckoned("open");
  const age = lasted(alert.began_ms, moment);
  const level = LEVELS[rank(alert)];
  if (item.dataset.level !== level) item.querySelector("svg").replaceWith(sign(level));
  item.dataset.level = level;
  item.classList.toggle("answered", answered);
  put(item.querySelector(".level span"), LEVEL_WORDS[level]);
  put(item.querySelector(".text"), alert.text);
  item.classList.toggle("long", alert.text.length > LONG_TEXT);
  const repeats = alert.repeats > 0 ? `, repeated ${alert.repeats} ×` : "";
  const since = `${Number.isNaN(age) ? `${now ? "Since" : "Was open since"} a time that is not known` : `${now ? "For" : "Was open for"} ${span(age)}`}${repeats}`;
  put(item.querySelector(".note"), answered ? `${since}. Acknowledged by ${alert.acknowledged_by ?? "somebody"}.` : `${since}.`);
  const button = item.querySelector("button");
  const at = pressed.get(alert.id);
  const unanswered = at !== undefined && steady.now() - at > UNANSWERED_MS;
  if (answered) pressed.delete(alert.id);
  button.hidden = answered;
  const words = !linked ? "No link: can't acknowledge" : at === undefined ? "Acknowledge" : unanswered ? "No answer yet. Acknowledge again" : "Sent to the recorder …";
  put(button, words);
  button.setAttribute("aria-label", `${words}: ${alert.text}`);
  button.setAttribute("aria-disabled", String(!linked || (at !== undefined && !unanswered)));
}
function acknowledge(id) {
  const at = pressed.get(id);
  if (!linked || (at !== undefined && steady.now() - at <= UNANSWERED_MS)) return;
  if (!initials()) { waiting = id; return ask(); }
  pressed.set(id, steady.now());
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
    client.publish(`${root}/${station}/seen`, JSON.stringify({ alert: alert.id, by }), { qos: 1 }, (error) => {
      if (error) { announced.delete(`seen ${mark}`); return; }
      store(name, [...(stored(name) ?? "").split("\n").slice(-200), mark].join("\n"));
    });
  }
}
function announce(alerts) {
  const news = alerts.filter((alert) => alert.acknowledged_ms === null && !announced.has(`${alert.id} ${alert.began_ms} ${alert.level}`));
  for (const alert of news) {
    announced.add(`${alert.id} ${alert.began_ms} ${alert.level}`);
    if (!fresh && window.Notification?.permission === "granted" && document.visibilityState !== "visible") {
      try { new Notification(`${LEVEL_WORDS[LEVELS[rank(alert)]]} (${visible(station)})`, { body: alert.text, tag: alert.id }); } catch { /* needs a worker here */ }
    }
  }
  fresh = false;
  if (news.length) put(byId("say-alert"), news.map((alert) => `${LEVEL_WORDS[LEVELS[rank(alert)]]}. ${alert.text}`).join(" "));
}
function showAlerts() {
  const alerts = [...(known.get("open")?.value.alerts ?? [])];
  const answered = (alert) => Number(alert.acknowledged_ms !== null);
  alerts.sort((a, b) => answered(a) - answered(b) || rank(a) - rank(b) || a.began_ms - b.began_ms);
  keyed(byId("alerts"), alerts, (alert) => alert.id, buildAlert, updateAlert);
  showAge("open", "open", alerts.length === 0, "No open alerts");
  const unanswered = alerts.filter((alert) => !answered(alert)).length;
  put(byId("h-alerts"), unanswered ? `Alerts: ${unanswered} to answer` : "Alerts");
  document.title = `${unanswered ? `(${unanswered}) ` : ""}${standing() === "live" ? "" : "✕ "}${visible(station)}`;
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
  const { at, now } = reckoned("batches");
  const was = now ? "" : "was ";
  const doing = batch.stage === "returned" ? "back in the oil" : batch.stage;
  const ticking = from !== null;
  const gone = ticking ? lasted(from, at) : NaN;
  const length = ticking && due !== null && due > from ? due - from : null;
  const over = length !== null && gone >= length;
  const sure = batch.time_proven && !Number.isNaN(gone);
  const least = Number.isNaN(gone) ? "" : `, at least ${Math.floor(gone / 60000)} min`;
  const left = batch.pieces_left === null ? `${batch.pieces} pieces` : `${batch.pieces_left} of ${batch.pieces} pieces left`;
  const checks = batch.checks_needed ? `${batch.checks_passed} of ${batch.checks_needed} checks passed` : "";
  const done = batch.proven ? "✓ checks complete" : batch.stage === "holding" || batch.stage === "checking" ? `✕ checks NOT complete${batch.missing ? `: ${batch.missing}` : ""}` : "";
  put(item.querySelector("h3"), `Batch ${batch.number}${batch.vat === null ? "" : `, vat\u00a0${batch.vat}`}`);
  put(item.querySelector(".note"), [ticking ? "" : batch.stage, left, checks, done].filter(Boolean).join(" · "));
  const [big, small] = item.querySelector(".clock").children;
  put(big, !ticking ? "" : !sure ? (least ? `≥ ${Math.floor(gone / 60000)}` : "?") : length === null ? clock(gone) : `${over ? "+" : ""}${clock(length - gone)}`);
  put(small, !ticking ? "" : !sure ? (least ? "min" : "") : `${was}${length === null ? "so far" : over ? "over" : "left"}`);
  put(item.querySelector(".so-far"), !ticking ? "" : !sure ? `${was}${over ? `${overdue}, ` : ""}${doing}: time not known${least}` : length === null ? "" : `${was}${over ? `${overdue}, ` : ""}${doing} for ${clock(gone)} of ${clock(length)}`);
  item.querySelector(".clock").classList.toggle("over", over);
  const bar = item.querySelector(".bar");
  bar.hidden = !sure || length === null;
  bar.firstChild.style.width = `${bar.hidden ? 0 : Math.min(100, (100 * gone) / length)}%`;
}
function ahead(of) { return (a, b) => (a[of] ?? Infinity) - (b[of] ?? Infinity) || a.number - b.number; }
function showHolding() {
  const holding = (known.get("batches")?.value.open ?? []).filter((batch) => batch.stage === "holding").sort(ahead("hold_limit_ms"));
  keyed(byId("holding"), holding, (batch) => batch.number, buildBatch, (item, batch) => updateBatch(item, batch, batch.hold_started_ms, batch.hold_limit_ms, "past its limit"));
  showAge("holding", "batches", holding.length === 0, "Nothing is holding");
}
function showCooking() {
  const rest = (known.get("batches")?.value.open ?? []).filter((batch) => batch.stage !== "holding").sort(ahead("cook_due_ms"));
  keyed(byId("cooking"), rest, (batch) => batch.number, buildBatch, (item, batch) => {
    const cooking = batch.stage === "cooking" || batch.stage === "returned";
    updateBatch(item, batch, cooking ? batch.cook_started_ms : null, cooking ? batch.cook_due_ms : null, "overdue");
  });
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
  const values = checks.flatMap((check) => [check.temperature, check.target, check.critical_limit]).filter((value) => value !== null);
  const [low, high] = [Math.min(...values) - 2, Math.max(...values) + 2];
  const y = (value) => top + (height - 2 * top) * (1 - (value - low) / (high - low));
  const x = (index) => (checks.length < 2 ? (left + width - right) / 2 : left + ((width - right - left) * index) / (checks.length - 1));
  const svg = draw("svg", { viewBox: `0 0 ${width} ${height}`, role: "img" });
  svg.setAttribute("aria-label", `Checks, oldest first: ${checks.map((c) => `${tenths(c.temperature)} °${unit} ${c.verdict}`).join(", ")}. Target ${last.target ?? "none"}, critical limit ${last.critical_limit ?? "none"} °${unit}.`);
  const lines = [["target", "target", last.target], ["limit", "critical", last.critical_limit]].filter(([, , value]) => value !== null);
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
  const checks = known.get("checks")?.value.checks ?? [];
  const { at, now } = reckoned("checks");
  const parts = new Map();
  for (const check of checks) {
    const name = `${check.part ?? "piece"} °${check.unit}`;
    parts.set(name, [...(parts.get(name) ?? []), check]);
  }
  keyed(byId("checks"), [...parts].sort(([a], [b]) => (a < b ? -1 : 1)), ([name]) => name, () => {
    const box = make("div", "chart");
    box.append(make("h3"), make("p", "last"), make("p", "note"), make("svg"));
    return box;
  }, (box, [, some]) => {
    const last = some[some.length - 1];
    const age = lasted(last.at_ms, at);
    put(box.querySelector("h3"), last.part ?? "piece");
    put(box.querySelector(".last"), `${last.verdict === "passed" ? "●" : last.verdict === "below target" ? "▲" : "■"} ${tenths(last.temperature)} °${last.unit}, ${last.verdict}`);
    put(box.querySelector(".note"), `Batch ${last.batch}, ${Number.isNaN(age) ? "its time is not known" : now ? `${span(age)} ago` : `was ${span(age)} old then`}${last.probe_was && last.probe_was !== "passed" ? `; its probe was ${last.probe_was}` : ""}`);
    const drawn = JSON.stringify(some);
    if (box.drawn !== drawn) { box.drawn = drawn; box.lastChild.replaceWith(chart(some, last.unit)); }
  });
  showAge("checks", "checks", checks.length === 0, "No checks yet");
}

// --- The recorder itself
/** ", 71.4 °C" as it is now, or what it was. */
function readingText(channel) {
  const entry = known.get(`reading/${channel}`);
  if (refused.has(`reading/${channel}`)) return ", its reading can't be shown";
  if (!entry) return "";
  const unit = known.get("checks")?.value.checks.at(-1)?.unit ?? "C";
  const value = tenths(unit === "F" ? entry.value.temp_c * 1.8 + 32 : entry.value.temp_c);
  const age = here() && entry.here ? lasted(entry.value.at_ms, life.now()) : NaN;
  const now = age < READING_MS && steady.now() - entry.at < READING_MS;
  return `, ${now ? "" : "was "}${value} °${unit}${Number.isNaN(age) ? "" : age < 10000 ? "" : ` ${span(age)} ago`}`;
}
function showHealth() {
  const health = known.get("health")?.value;
  const rows = [];
  for (const [channel, word] of health?.probes ?? []) rows.push([`Probe ${channel}`, `${word}${word === "ok" ? readingText(channel) : ""}`, word === "ok"]);
  for (const [channel, percent] of health?.charges ?? []) {
    rows.push([`Battery of ${channel}`, `${percent} %${percent < LOW_CHARGE ? ", charge it or change it" : ""}`, percent >= LOW_CHARGE]);
  }
  if (health) {
    rows.push(["Hearing", health.hearing, health.hearing === "well"]);
    if (health.clock_known !== null) rows.push(["Clock", health.clock_known ? "set" : "not set: times are not known for sure", health.clock_known]);
    if (health.unsent !== null) rows.push(["Unsent messages", health.unsent ? `${health.unsent} wait on the recorder` : "none", !health.unsent]);
    if (health.free_mb !== null) rows.push(["Free disk", health.free_mb < 1000 ? `${health.free_mb} MB` : `${(health.free_mb / 1000).toFixed(1)} GB`, health.free_mb >= 100]);
    rows.push(["Version", health.version, true]);
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
  showAge("health", "health", rows.length === 0, "Nothing reported");
}

// --- Drawing: each section by itself, so that one that fails takes no other with it
const SECTIONS = [["alerts", "open", showAlerts], ["cooking", "batches", showCooking], ["holding", "batches", showHolding], ["checks", "checks", showChecks], ["health", "health", showHealth]];
function drawSection([name, topic, draw]) {
  let fault = "";
  try {
    reckoned(topic);
    draw();
    undrawn.delete(name);
  } catch (error) {
    fault = `this page failed on it (${visible(String(error)).slice(0, 200)})`;
    undrawn.set(name, fault);
    byId(name).replaceChildren();
  }
  const [at, why] = [...refused].find(([at]) => at === topic || (name === "health" && at.startsWith("reading/"))) ?? [];
  if (why) fault = `the newest message on ${visible(at).slice(0, 100)} is malformed (${why.slice(0, 300)})`;
  put(byId(`fault-${name}`), fault ? `This can't be shown: ${fault}.${known.has(topic) && !undrawn.has(name) && at === topic ? " What stands below is older." : ""}` : "");
  byId(`section-${name}`).classList.toggle("stale", !current(topic));
}
function showStations() {
  byId("stations-none").hidden = stations.size > 0;
  keyed(byId("stations-list"), [...stations].sort(([a], [b]) => (a < b ? -1 : 1)), ([name]) => name, () => { const item = make("li"); item.append(make("a")); return item; }, (item, [name, about]) => {
    const word = !linked ? "not known" : about.online === false ? "off" : about.life.alive() ? "on" : about.life.age() === null && about.life.waited() < ASLEEP_MS ? "waiting for its sign of life" : "silent";
    item.firstChild.href = `?${new URLSearchParams({ station: name, root })}`;
    put(item.firstChild, `${visible(name)}: ${word}`);
  });
}
function showOverview() {
  const state = denied ? "denied" : linked ? "live" : lostAt === null ? "connecting" : "lost";
  byId("link").dataset.state = state;
  put(byId("link-word"), { live: "✓ Linked", connecting: "Connecting", lost: "✕ LINK LOST", denied: "✕ NOT LOGGED IN" }[state]);
  put(byId("link-age"), denied);
  byId("login-open").hidden = state !== "denied";
  if (told !== state) { told = state; put(byId("say-link"), byId("link-word").textContent); }
  showStations();
}
function show() {
  try {
    if (!station) { showOverview(); return; }
    for (const section of SECTIONS) drawSection(section);
    showLink(); // after them, since it says whether one failed
  } catch (error) {
    byId("link").dataset.state = "lost";
    byId("link-word").textContent = "✕ THIS PAGE HAS FAILED";
    byId("link-age").textContent = `Load it again. ${visible(String(error)).slice(0, 200)}`;
  }
}
let due = null;
/** Draws soon, once for a whole flood of messages. */
function soon() { due ??= setTimeout(() => { due = null; show(); }, 20); }

// --- What arrives
function arrived(topic, payload, packet) {
  const waited = packet.retain || stale; // at the broker, or on a connection that slept
  if (!station) return heardOf(topic, payload, waited);
  const part = topic.slice(`${root}/${station}/`.length);
  if (part.startsWith("reading/") && !known.has(part) && !refused.has(part) && known.size + refused.size >= MOST_TOPICS) return undefined;
  if (payload.length === 0) { // somebody has deleted it
    for (const map of [known, refused, proven, behind]) map.delete(part);
    if (part === "demo") demo = false;
    return soon();
  }
  let value;
  try {
    value = checked(part, payload);
  } catch (error) {
    refused.set(part, error instanceof Malformed ? error.message : visible(String(error)));
    return soon();
  }
  refused.delete(part);
  if (part === "alive") {
    if (!waited) { life.sign(value.at_ms, value.newest); off = false; }
    return soon();
  }
  if (part === "demo") {
    demo = value.fast;
    return soon();
  }
  if (part === "state") {
    off = !value.online;
    if (off) life.forget();
    return soon();
  }
  known.set(part, { value, at: steady.now(), here: true, retained: waited });
  if (!waited) life.word(value.at_ms);
  if (part === "open") announce(value.alerts);
  return soon();
}
function heardOf(topic, payload, retained) {
  const [name, part] = topic.slice(root.length + 1).split("/");
  if (payload.length === 0) { if (part === "state") stations.delete(name); return soon(); }
  let value;
  try { value = checked(part, payload); } catch { return undefined; }
  if (!stations.has(name) && stations.size >= MOST_TOPICS) return undefined;
  const about = stations.get(name) ?? { online: null, life: new Life(steady) };
  stations.set(name, about);
  if (part === "state") { about.online = value.online; if (!value.online) about.life.forget(); }
  else if (!retained) { about.life.sign(value.at_ms, value.newest); about.online = true; }
  return soon();
}

// --- The connection
function connect() {
  steady.woke();
  stale = false;
  const mine = mqtt.connect(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/mqtt`, {
    clean: true, keepalive: 30, reconnectPeriod: 2000, connectTimeout: 8000, queueQoSZero: false, resubscribe: false, reconnectOnConnackError: true,
    ...(account ? { username: account.name, password: account.password } : {}),
  });
  client = mine;
  const still = (act) => (...given) => { if (client === mine) act(...given); };
  client.on("connect", still(() => {
    linked = true;
    lostAt = null;
    denied = "";
    off = false; // the broker tells it again
    demo = false; // and this
    life.forget();
    behind.clear();
    refused.clear();
    for (const entry of known.values()) entry.here = false;
    for (const about of stations.values()) { about.life.forget(); about.online = null; }
    const topics = station ? Object.keys(MESSAGES).map((part) => `${root}/${station}/${part === "reading" ? "reading/+" : part}`) : [`${root}/+/state`, `${root}/+/alive`];
    mine.subscribe(topics, { qos: 1 });
    soon();
  }));
  client.on("close", still(() => { lost(); soon(); }));
  client.on("error", still((error) => {
    if (error.code !== 4 && error.code !== 5) return; // "close" follows and shows it
    hangUp();
    denied = account ? "The broker does not take this name with this password." : "This broker asks for a name and a password.";
    askAccount();
    soon();
  }));
  client.on("message", still((...given) => { awake(); if (client === mine) arrived(...given); }));
}
function lost() {
  if (linked || lostAt === null) lostAt = steady.now();
  linked = false;
  pressed.clear();
}
function hangUp() {
  const last = client;
  client = null;
  last?.end(true);
  lost();
}
/** After a sleep, what waits on the old connection is not of now: a new one is made, once somebody looks. */
function awake() {
  if (steady.woke() && client) { stale = true; life.forget(); for (const about of stations.values()) about.life.forget(); }
  if (stale && document.visibilityState === "visible" && client) { hangUp(); connect(); }
}

// --- Who this is
function keptAccount() {
  try {
    const { name, password } = JSON.parse(stored("account") ?? "null") ?? {};
    return typeof name === "string" && typeof password === "string" ? { name, password } : null;
  } catch { return null; }
}
function askAccount() {
  byId("login-why").textContent = denied;
  byId("login-plain").hidden = window.isSecureContext;
  byId("login-name").value = account?.name ?? "";
  byId("login-password").value = "";
  if (!byId("login").open) byId("login").showModal();
  byId(account ? "login-password" : "login-name").focus();
}
function showWho() {
  put(byId("who"), initials() ? `Your initials: ${initials()}. Change` : "Set your initials");
  byId("logout").hidden = account === null;
}
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
byId("login-open").addEventListener("click", askAccount);
byId("login-no").addEventListener("click", () => byId("login").close());
byId("login-form").addEventListener("submit", (event) => {
  event.preventDefault();
  account = { name: byId("login-name").value.trim(), password: byId("login-password").value.trim() };
  byId("login-password").value = "";
  store("account", byId("login-keep").checked ? JSON.stringify(account) : null);
  byId("login").close();
  denied = "";
  lostAt = null;
  showWho();
  connect();
  soon();
});
byId("logout").addEventListener("click", () => {
  store("account", null);
  account = null;
  for (const map of [known, refused, proven, behind, stations]) map.clear();
  hangUp();
  denied = "You have logged out.";
  showWho();
  soon();
});
byId("notify").addEventListener("click", () => Notification.requestPermission().then(showNotify));
document.addEventListener("visibilitychange", () => { awake(); show(); });
byId("station").hidden = !station;
byId("stations").hidden = Boolean(station);
put(byId("title"), visible(station ? `${root} · ${station}` : root).slice(0, 200));
account = keptAccount();
showWho();
showNotify();
if ([root, station ?? ""].some((part) => /[+#]/.test(part))) {
  put(byId("link-word"), "This address names no station");
  put(byId("link-age"), "root and station must not have + or # in them.");
} else {
  connect();
  show();
  setInterval(() => { awake(); show(); }, 1000);
}
