// What the wire may bring. Each message is checked before it is taken: a field that is wrong refuses the whole message,
// a field that is unknown is left out. What is returned has the known fields alone, and its texts can be seen.
"use strict";

const LARGEST_BYTES = 262144; // as `message_size_limit` of the broker's configuration
const LATEST_MS = 1e15; // no clock is set to the year 33658

class Malformed extends Error {}

const Field = {
  flag: (value, at) => (typeof value === "boolean" ? value : wrong(at, "is not true or false")),
  number: (low, high) => (value, at) => (typeof value === "number" && value >= low && value <= high ? value : wrong(at, `is no number from ${low} to ${high}`)),
  integer: (low, high) => (value, at) => (Number.isInteger(value) && value >= low && value <= high ? value : wrong(at, `is no whole number from ${low} to ${high}`)),
  text: (longest) => (value, at) => (typeof value === "string" && value.length <= longest ? visible(value) : wrong(at, `is no text of up to ${longest} letters`)),
  oneOf: (...words) => (value, at) => (words.includes(value) ? value : wrong(at, `is none of ${words.join(", ")}`)),
  /** Null, or not there at all, which reads as `otherwise`. */
  maybe: (check, otherwise = null) => (value, at) => (value === undefined || value === null ? otherwise : check(value, at)),
  fields: (checks) => (value, at) => {
    if (typeof value !== "object" || value === null || Array.isArray(value)) wrong(at, "is no object");
    return Object.fromEntries(Object.entries(checks).map(([name, check]) => [name, check(Object.hasOwn(value, name) ? value[name] : undefined, at ? `${at}.${name}` : name)]));
  },
  list: (check, most, key = null) => (value, at) => {
    if (!Array.isArray(value) || value.length > most) wrong(at, `is no list of up to ${most}`);
    const items = value.map((item, index) => check(item, `${at}[${index}]`));
    if (key && new Set(items.map((item) => item[key])).size < items.length) wrong(at, `has the same ${key} twice`);
    return items;
  },
  /** An object with names of its own, as pairs. */
  pairs: (check, most) => (value, at) => {
    if (typeof value !== "object" || value === null || Array.isArray(value)) wrong(at, "is no object");
    const pairs = Object.entries(value);
    if (pairs.length > most) wrong(at, `has more than ${most} names`);
    return pairs.map(([name, item]) => [Field.text(100)(name, at), check(item, `${at}.${visible(name).slice(0, 100)}`)]);
  },
};
function wrong(at, why) { throw new Malformed(`${at || "it"} ${why}`); }
/** Without what can't be seen: controls, marks of direction, halves of letters. */
function visible(text) { return text.replace(/\s+/gu, " ").replace(/[\p{Cc}\p{Cf}\p{Cs}\p{Co}]/gu, "\ufffd"); }

const { flag, number, integer, text, oneOf, maybe, fields, list, pairs } = Field;
const moment = integer(0, LATEST_MS);
const count = integer(0, 1e6);
const degrees = number(-500, 5000);
const MESSAGES = {
  state: fields({ online: flag }),
  demo: fields({ fast: flag }),
  alive: fields({ at_ms: moment, newest: maybe(pairs(moment, 20), []) }),
  open: fields({
    at_ms: moment,
    alerts: list(fields({
      id: text(128), level: text(40), text: text(4000), began_ms: moment, repeats: maybe(count, 0),
      acknowledged_ms: maybe(moment), acknowledged_by: maybe(text(64)),
    }), 200, "id"),
  }),
  batches: fields({
    at_ms: moment,
    open: list(fields({
      number: count, vat: maybe(count), stage: text(40), pieces: count, pieces_left: maybe(count), checks_passed: count, checks_needed: count,
      proven: flag, time_proven: maybe(flag, true), missing: maybe(text(400), ""),
      cook_started_ms: maybe(moment), cook_due_ms: maybe(moment), hold_started_ms: maybe(moment), hold_limit_ms: maybe(moment),
    }), 100, "number"),
  }),
  checks: fields({
    at_ms: moment,
    checks: list(fields({
      batch: count, part: maybe(text(60)), temperature: degrees, unit: oneOf("F", "C"), target: maybe(degrees), critical_limit: maybe(degrees),
      verdict: text(60), at_ms: moment, probe_was: maybe(text(60)),
    }), 100),
  }),
  health: fields({
    at_ms: moment, version: text(400), probes: pairs(text(400), 64), charges: maybe(pairs(number(0, 100), 64), []), hearing: text(4000),
    clock_known: maybe(flag), unsent: maybe(integer(0, 1e12)), free_mb: maybe(number(0, 1e12)),
  }),
  reading: fields({ at_ms: moment, temp_c: number(-300, 3000), settled: maybe(flag, false) }),
};

/** The message on the topic that ends with `part`; throws `Malformed` that says what is wrong. */
function checked(part, payload) {
  if (payload.length > LARGEST_BYTES) wrong("it", `is longer than ${LARGEST_BYTES} bytes`);
  let value;
  try { value = JSON.parse(new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(payload)); } catch { wrong("it", "is not JSON in UTF-8"); }
  return MESSAGES[part.split("/")[0]](value, "");
}
