"use strict";
// Plays a flight: the clock, the keys, the bar on which it is scrubbed, and where the instructor stops it.
// A page's script says what it adds by ``deck.start``.
const deck = (() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const { clock, changed, put, since, FASTEST_PLAYED } = moving;
  const state = { second: 0, furthest: 0, playing: false, last: null, answered: [], tracks: data.tracks, says: data.says };
  let hooks = { drawn() {}, stopped() {} };

  const make = (tag, text, kind) => {
    const made = document.createElement(tag);
    if (text) made.textContent = text;
    if (kind) made.className = kind;
    return made;
  };
  // what a screen reader would read out is written only when it is another text
  const write = (id, text) => {
    if (byId(id).textContent !== text) byId(id).textContent = text;
  };
  const legAt = (second) => changed(data.legs, second);

  function draw(dt = 0) {
    const second = Math.min(state.second, data.seconds - 1);
    put(state.tracks, second, dt);
    byId("clock").textContent = clock(state.second);
    write("leg", legAt(second));
    const said = state.says.filter(([at]) => at * 60 <= state.second);
    write("said", said.length ? `${clock(said.at(-1)[0] * 60)}  ${said.at(-1)[1]}` : "");
    byId("scrub").value = Math.round(state.second);
    for (const made of byId("marks").children) if (made.hidden !== Number(made.dataset.at) > state.furthest) made.hidden = !made.hidden;
    if (!state.playing) {
      byId("scrub").setAttribute("aria-valuetext", `${clock(state.second)}, ${legAt(second)}`);
      sayReadings();
    }
    hooks.drawn(state.second);
  }

  // the first stop of the instructor's that has not been gone through
  const stop = () => (data.pauses || []).find(([at]) => !state.answered.includes(at));
  function to(second, dt = 0) {
    const next = stop();
    let wanted = Math.max(0, Math.min(data.seconds, second));
    if (next && wanted >= next[0]) wanted = Math.min(wanted, next[0]);
    state.second = wanted;
    state.furthest = Math.max(state.furthest, wanted);
    const stopped = next && wanted >= next[0];
    byId("asked-box").hidden = !stopped;
    if (stopped) write("asked", next[1]);
    if (state.playing && (stopped || wanted >= data.seconds)) pause();
    draw(dt);
  }
  function goOn() {
    const next = stop();
    if (next && state.second >= next[0]) state.answered.push(next[0]);
    byId("asked-box").hidden = true;
  }
  const go = (seconds, dt = 0) => {
    if (seconds > 0 && !state.playing) goOn();
    to(state.second + seconds, dt);
  };
  function tick(now) {
    if (!state.playing) return;
    const dt = since(now, state.last);
    const speed = Number(byId("speed").value);
    if (dt) go(dt * speed, speed <= FASTEST_PLAYED ? dt : 0);
    if (dt !== 0) state.last = now;
    if (state.playing) requestAnimationFrame(tick);
  }
  function play() {
    if (state.second >= data.seconds) return;
    goOn();
    state.playing = true;
    state.last = null;
    byId("play").textContent = "Pause";
    requestAnimationFrame(tick);
  }
  function pause() {
    state.playing = false;
    byId("play").textContent = "Play";
    draw();
    hooks.stopped();
  }
  const toggle = () => (state.playing ? pause() : play());

  // ---------------------------------------------------------------- the bar

  const share = (second) => `${(100 * second) / data.seconds}%`;
  function mark(second, text, kind) {
    const made = make("button", "", `mark ${kind}`);
    made.type = "button";
    made.title = `${clock(second)}  ${text}`;
    made.setAttribute("aria-label", `go to ${clock(second)}: ${text}`);
    made.dataset.at = second;
    made.style.left = share(second);
    made.addEventListener("click", () => to(second));
    byId("marks").append(made);
  }
  function span(row, from, until, text) {
    const made = make("span", "", "span");
    made.title = `${text}: ${clock(from)} to ${clock(until)}`;
    made.style.left = share(from);
    made.style.width = share(until - from);
    row.append(made);
  }
  data.legs.forEach(([at, name], place) => {
    const until = place + 1 < data.legs.length ? data.legs[place + 1][0] : data.seconds;
    const leg = make("span", name, "leg");
    leg.title = `${clock(at)} to ${clock(until)}  ${name}`;
    leg.style.flexGrow = until - at;
    byId("legs").append(leg);
  });
  for (const [at, says] of data.says) mark(at * 60, says, says.startsWith("FAILS") ? "fails" : "radio");
  for (const [at, asks] of data.pauses || []) mark(at, asks, "asks");
  for (const [at, who, says] of data.called || []) mark(at, `${who} ${says}`, "call");
  for (const [name, spans] of data.misleads || []) {
    const row = make("div", "", "misleads");
    row.append(make("b", name));
    for (const [from, until] of spans) span(row, from, until, `${name} misleads`);
    byId("rows").append(row);
  }

  // ---------------------------------------------------------------- what a dial shows, in words

  function angle(part) {
    const track = state.tracks[part];
    return track && track.values ? moving.between(track.values, Math.min(state.second, data.seconds - 1)) : null;
  }
  // the number at an angle: one turn of the coarsest hand, made finer by the others
  function value(dial) {
    let found = null;
    for (const [part, points, turn] of dial.hands) {
      const at = angle(part);
      if (at === null) return null;
      if (points.length) {
        let place = points.findIndex(([, degrees]) => degrees > at);
        place = Math.max(1, place < 0 ? points.length - 1 : place);
        const [[low, from], [high, until]] = [points[place - 1], points[place]];
        found = Math.max(points[0][0], Math.min(points.at(-1)[0], low + ((high - low) * (at - from)) / (until - from)));
      } else {
        const fine = (at / 360) * turn;
        const whole = Math.abs(turn);
        found = found === null ? ((fine % whole) + whole) % whole : fine + whole * Math.round((found - fine) / whole);
      }
    }
    return found;
  }
  function words(dial) {
    const written = (part) => changed(state.tracks[part].changes, Math.min(state.second, data.seconds - 1));
    if (dial.lamp) return written(dial.lamp) ? "LIT" : "out";
    if (dial.window) return written(dial.window).trim() || "----";
    const off = dial.flag && written(dial.flag) ? " OFF" : "";
    if (dial.horizon) {
      const bank = Math.round(-angle(dial.horizon));
      const nose = Math.round(moving.between(state.tracks[dial.horizon].second, Math.min(state.second, data.seconds - 1)) / dial.per_unit);
      return `bank ${Math.abs(bank)}${bank < 0 ? "L" : bank > 0 ? "R" : ""} nose ${nose < 0 ? "" : "+"}${nose}${off}`;
    }
    if (dial.slide) {
      const at = angle(dial.slide) / dial.per_unit;
      if (dial.heading) return String(Math.round(((at % 360) + 360) % 360) || 360).padStart(3, "0");
      return Math.abs(at) < 0.5 ? "centered" : `${Math.abs(at).toFixed(1)} to the ${at < 0 ? "left" : "right"}`;
    }
    const number = value(dial);
    if (number === null) return "----";
    if (dial.heading) return `${String(Math.round(((number % 360) + 360) % 360) || 360).padStart(3, "0")} deg`;
    if (dial.turn) return (Math.abs(number) < 0.25 ? "no turn" : `${number < 0 ? "left" : "right"} ${Math.abs(number).toFixed(1)} deg/s`) + off;
    const step = dial.step;
    const rounded = Math.round(number / step) * step || 0;
    return `${step < 1 ? rounded.toFixed(1) : rounded} ${dial.unit}`.trim();
  }
  function sayReadings() {
    const shown = Object.entries(data.dials || {}).map(([gauge, dial]) => {
      const hidden = (hooks.hidden || (() => ""))(gauge);
      return [gauge, hidden === "covered" ? "covered" : `${words(dial)}${hidden ? `, ${hidden}` : ""}`];
    });
    for (const [gauge, says] of shown) {
      for (const box of document.querySelectorAll(`#stage [data-gauge="${gauge}"][tabindex], #stage [data-covers="${gauge}"][tabindex]`))
        box.setAttribute("aria-label", `${data.dials[gauge].name}: ${says}`);
    }
    if (byId("readings").open) byId("in-words").replaceChildren(...shown.map(([gauge, says]) => make("li", `${data.dials[gauge].name}: ${says}`)));
  }

  // ---------------------------------------------------------------- mouse and keys

  function start(added) {
    hooks = { ...hooks, ...added };
    byId("play").addEventListener("click", toggle);
    byId("go-on").addEventListener("click", play);
    byId("step").addEventListener("click", () => go(1));
    byId("on").addEventListener("click", () => go(10));
    byId("back").addEventListener("click", () => go(-10));
    byId("scrub").addEventListener("input", () => {
      if (Number(byId("scrub").value) > state.second) goOn();
      to(Number(byId("scrub").value));
    });
    byId("readings").addEventListener("toggle", sayReadings);
    document.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
      const typing = event.target.matches("input, select, textarea") && !(event.target.type === "range" && event.key === " ");
      if (typing) {
        if (event.key === "Escape") event.target.blur();
        return;
      }
      // space and Enter press the button that has the focus
      if ([" ", "Enter"].includes(event.key) && event.target.matches("button, summary, a, [role=button]")) return;
      if (event.key === " ") toggle();
      else if (event.key === "ArrowRight") go(1);
      else if (event.key === "ArrowLeft") go(-10);
      else if (!(hooks.key || (() => false))(event.key)) return;
      event.preventDefault();
    });
    to(state.second);
  }
  return { data, state, byId, make, mark, clock, start, draw, to, go, pause, write };
})();
