// Whether the station lives, and what time it is there. Life is what arrives now on this connection, by the phone's own
// steady clock: never what was retained, and never a time stamp.
"use strict";

const SIGN_EVERY_S = 10; // the station sends `alive` so often; no broker keeps one
const SILENT_MS = 35000; // three signs are missing
const PACE_MS = 3000; // without signs: two messages so far apart that kept pace with this phone did not wait on their way
const PACE_OFF_MS = 2000;
const ASLEEP_MS = 25000; // neither a tick nor a message for so long: this page slept
const LEAP_MS = 2000; // or its two clocks went apart

/** Milliseconds that never run back, the phone's sleep included as far as its wall clock tells. */
class Steady {
  constructor() { this.slept = 0; this.last = Steady.read(); }
  static read() { return { wall: Date.now(), steady: performance.now() }; }
  now() { return performance.now() + this.slept; }
  /** To be called at every tick and message: whether the page slept since the last call. */
  woke() {
    const now = Steady.read();
    const [wall, steady] = [now.wall - this.last.wall, now.steady - this.last.steady];
    this.last = now;
    const apart = wall - steady;
    if (apart > LEAP_MS) this.slept += apart;
    return Math.abs(apart) > LEAP_MS || steady > ASLEEP_MS;
  }
}

class Life {
  constructor(steady) { this.steady = steady; this.forget(); this.anchor = null; }
  /** A new connection, or a sleep: all that was heard before says nothing of now. */
  forget() { this.sinceMs = this.steady.now(); this.signMs = null; this.first = null; this.newest = null; }
  /** A sign of life; `newest` are the stamps of the newest states, as pairs. */
  sign(atMs, newest) {
    this.signMs = this.steady.now();
    this.anchor = { atMs, steadyMs: this.signMs };
    if (newest) this.newest = new Map(newest);
  }
  /** A message that was not retained. It may have waited: one proves nothing, two that kept pace do. */
  word(atMs) {
    const here = { atMs, steadyMs: this.steady.now() };
    const gone = this.first ? here.steadyMs - this.first.steadyMs : 0;
    if (!this.first || Math.abs(atMs - this.first.atMs - gone) > PACE_OFF_MS) { this.first = here; return; }
    if (gone < PACE_MS) return;
    this.first = here;
    this.sign(atMs, null);
  }
  /** Milliseconds since the last sign on this connection; null where there was none. */
  age() { return this.signMs === null ? null : this.steady.now() - this.signMs; }
  alive() { return this.signMs !== null && this.age() < SILENT_MS; }
  /** How long this connection has waited for a first sign. */
  waited() { return this.steady.now() - this.sinceMs; }
  /** The station's own time, reckoned on from its last sign; to be used while it lives. */
  now() { return this.anchor.atMs + this.steady.now() - this.anchor.steadyMs; }
}
