"use strict";
// Puts the moving parts of the pictures where a page's tracks have them; every page that moves shares it.
const moving = (() => {
  const clock = (seconds) => {
    const whole = Math.round(seconds);
    return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
  };
  const between = (values, second) => {
    const low = Math.min(Math.floor(second), values.length - 1);
    const high = Math.min(low + 1, values.length - 1);
    // a compass card that passes north jumps to its other end: nothing lies between
    if (Math.abs(values[high] - values[low]) > 300) return values[low];
    return values[low] + (values[high] - values[low]) * (second - low);
  };
  const changed = (changes, second) => {
    let value = changes[0][1];
    for (const [at, next] of changes) {
      if (at > second) break;
      value = next;
    }
    return value;
  };
  const digits = (value) => String(Math.round(value * 100) / 100);

  // A needle is a mass on a spring with some friction: it lags, swings over a little, and stops at its pegs.
  // The numbers are a judgement: a swing of 1.3 a second, 70 % of the friction that allows none; at most a third
  // of a turn a second.
  const STIFF = 8, FRICTION = 0.7, FASTEST = 120, STEP = 1 / 60, FASTEST_PLAYED = 2, FRAME_MS = 1000 / 30;
  const hands = new Map();
  function follow(name, target, dt, stops) {
    let hand = hands.get(name);
    if (!dt || !hand) {
      hand = { at: target, speed: 0 };
      hands.set(name, hand);
      return target;
    }
    for (let left = dt; left > 1e-6; left -= STEP) {
      const step = Math.min(left, STEP);
      hand.speed += (STIFF * STIFF * (target - hand.at) - 2 * FRICTION * STIFF * hand.speed) * step;
      hand.speed = Math.max(-FASTEST, Math.min(FASTEST, hand.speed));
      hand.at += hand.speed * step;
      if (stops && (hand.at < stops[0] || hand.at > stops[1])) {
        hand.at = Math.max(stops[0], Math.min(stops[1], hand.at));
        hand.speed = 0;
      }
    }
    return hand.at;
  }

  const banks = [...document.querySelectorAll('[data-part$="-bank"]')];
  const found = {};
  const parts = (name) => (found[name] ??= [...document.querySelectorAll(`[data-part="${name}"]`)]);

  // a part that stands as it stood is left alone: what is written anew is laid out anew
  function set(part, name, value) {
    if (part.getAttribute(name) !== value) part.setAttribute(name, value);
  }
  // ``dt``: seconds since the picture before, where it moves; without it every part stands where it belongs
  function put(tracks, second, dt = 0) {
    for (const [name, track] of Object.entries(tracks)) {
      const turned = track.how === "rotate" || track.how === "horizon" ? follow(name, between(track.values, second), dt, track.stops) : 0;
      for (const part of parts(name)) {
        if (track.how === "rotate") set(part, "transform", `rotate(${digits(turned)})`);
        else if (track.how === "slide") set(part, "transform", `translate(${digits(between(track.values, second))} 0)`);
        else if (track.how === "horizon") {
          const bank = digits(turned);
          set(part, "transform", `rotate(${bank}) translate(0 ${digits(between(track.second, second))})`);
          const own = name.replace(/-part$/, "-bank");
          for (const pointer of banks) if (pointer.dataset.part === own) set(pointer, "transform", `rotate(${bank})`);
        } else if (track.how === "show") set(part, "visibility", changed(track.changes, second) ? "visible" : "hidden");
        else if (part.textContent !== changed(track.changes, second)) part.textContent = changed(track.changes, second);
      }
    }
  }
  // seconds from one picture to the next, 0 where it is too early for the next; null: no picture before it
  const since = (now, last) => (last === null ? null : now - last < FRAME_MS - 2 ? 0 : (now - last) / 1000);
  return { between, clock, changed, put, since, FASTEST_PLAYED };
})();
