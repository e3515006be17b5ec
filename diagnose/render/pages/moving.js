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

  const banks = [...document.querySelectorAll('[data-part$="-bank"]')];
  const found = {};
  const parts = (name) => (found[name] ??= [...document.querySelectorAll(`[data-part="${name}"]`)]);

  function put(tracks, second) {
    for (const [name, track] of Object.entries(tracks)) {
      for (const part of parts(name)) {
        if (track.how === "rotate") part.setAttribute("transform", `rotate(${digits(between(track.values, second))})`);
        else if (track.how === "slide") part.setAttribute("transform", `translate(${digits(between(track.values, second))} 0)`);
        else if (track.how === "horizon") {
          const bank = digits(between(track.values, second));
          part.setAttribute("transform", `rotate(${bank}) translate(0 ${digits(between(track.second, second))})`);
          const own = name.replace(/-part$/, "-bank");
          for (const pointer of banks) if (pointer.dataset.part === own) pointer.setAttribute("transform", `rotate(${bank})`);
        } else if (track.how === "show") part.setAttribute("visibility", changed(track.changes, second) ? "visible" : "hidden");
        else part.textContent = changed(track.changes, second);
      }
    }
  }
  return { clock, changed, put };
})();
