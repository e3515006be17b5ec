"use strict";
// Plays what the page's data hold: where every moving part of the picture stands at each second.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const { clock, changed, put, since, FASTEST_PLAYED } = moving;
  const kept = `played ${data.mark}`;
  const state = { second: 0, furthest: 0, playing: false, last: null, covered: new Set(), calls: [], looks: [], aside: 0, ...remembered() };

  // who has seen what comes later cannot call it earlier
  const minutes = () => Math.round((state.furthest / 60) * 1000) / 1000;
  function remembered() {
    try {
      return JSON.parse(localStorage.getItem(kept)) || {};
    } catch {
      return {};
    }
  }
  function remember() {
    const { second, furthest, calls, looks } = state;
    try {
      localStorage.setItem(kept, JSON.stringify({ second, furthest, calls, looks, team: byId("team").value }));
    } catch {
      // a browser that keeps nothing: the calls last as long as the page is open
    }
  }
  // what a screen reader would read out is written only when it is another text
  const write = (id, text) => {
    if (byId(id).textContent !== text) byId(id).textContent = text;
  };

  function draw(dt = 0) {
    const second = Math.min(state.second, data.seconds - 1);
    put(data.tracks, second, dt);
    byId("clock").textContent = clock(state.second);
    write("leg", changed(data.legs, second));
    const said = data.says.filter(([at]) => at * 60 <= state.second);
    write("said", said.length ? `${clock(said.at(-1)[0] * 60)}  ${said.at(-1)[1]}` : "");
  }

  function go(seconds, dt = 0) {
    state.second = Math.max(0, Math.min(data.seconds, state.second + seconds));
    state.furthest = Math.max(state.furthest, state.second);
    if (state.second >= data.seconds) pause();
    // what is not on the panel is seen for as long again as the look took
    if (Math.abs(state.second - state.aside) > data.look_s) showAside("");
    draw(dt);
  }
  function showAside(gauge) {
    for (const box of document.querySelectorAll("[data-aside]")) box.hidden = box.dataset.aside !== gauge;
  }
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
    state.playing = true;
    state.last = null;
    byId("play").textContent = "Pause";
    requestAnimationFrame(tick);
  }
  function pause() {
    state.playing = false;
    byId("play").textContent = "Play";
    draw();
    remember();
  }
  const toggle = () => (state.playing ? pause() : play());

  // ---------------------------------------------------------------- covering

  function showCovers() {
    for (const dial of document.querySelectorAll("#panel .dial")) {
      const hidden = state.covered.has(dial.dataset.gauge);
      dial.style.display = hidden ? "none" : "";
      let cover = dial.nextElementSibling;
      if (hidden && !(cover && cover.classList.contains("cover"))) {
        const holder = document.createElementNS("http://www.w3.org/2000/svg", "g");
        holder.innerHTML = data.covers[dial.dataset.gauge];
        const drawn = holder.firstElementChild;
        drawn.dataset.covers = dial.dataset.gauge;
        dial.after(drawn);
      } else if (!hidden && cover && cover.classList.contains("cover")) cover.remove();
    }
  }
  function record(kind, what, sure) {
    const call = { minutes: minutes(), team: byId("team").value, kind, what, sure };
    state.calls.push(call);
    follow();
    remember();
  }
  function follow() {
    // the picture covers what the chosen team has covered
    state.covered = new Set();
    for (const call of state.calls) {
      if (call.team !== byId("team").value) continue;
      for (const gauge of call.what) {
        if (call.kind === "cover") state.covered.add(gauge);
        else if (call.kind === "uncover") state.covered.delete(gauge);
      }
    }
    showCovers();
    const rows = state.calls.map((call) => {
      const names = call.what.map((name) => data.failures[name] || data.gauges[name] || name).join(" + ");
      const sure = ["suspect", "isolate"].includes(call.kind) ? ` (${Math.round(call.sure * 100)} %)` : "";
      const none = call.kind === "isolate" && !call.what.length ? "nothing failed" : names;
      return [clock(call.minutes * 60), call.team, `${words[call.kind]} ${none}${sure}`];
    });
    byId("calls").tBodies[0].replaceChildren(
      ...rows.map((row) => {
        const line = document.createElement("tr");
        for (const text of row) line.appendChild(document.createElement("td")).textContent = text;
        return line;
      }),
    );
  }
  const words = { suspect: "suspects", isolate: "names", cover: "covers", uncover: "uncovers", tell_atc: "tells ATC", decide: "decides" };
  const flip = (gauge) => record(state.covered.has(gauge) ? "uncover" : "cover", [gauge], 1);

  // ---------------------------------------------------------------- the form

  function fill(select, entries) {
    select.replaceChildren(...entries.map(([value, text]) => new Option(text, value)));
  }
  fill(byId("team"), data.teams.map((team) => [team, team]));
  fill(byId("failure"), Object.entries(data.failures).sort((a, b) => a[1].localeCompare(b[1])));
  fill(byId("gauge"), Object.entries(data.gauges));
  fill(byId("look"), data.unseen.map((gauge) => [gauge, data.gauges[gauge]]));
  byId("look-box").hidden = !data.unseen.length;
  if (data.teams.includes(state.team)) byId("team").value = state.team;
  addEventListener("pagehide", remember);
  function suit() {
    const kind = byId("kind").value;
    byId("failure-box").hidden = byId("sure-box").hidden = !["suspect", "isolate"].includes(kind);
    byId("gauge-box").hidden = !["cover", "uncover"].includes(kind);
    byId("words-box").hidden = !["tell_atc", "decide"].includes(kind);
  }
  byId("kind").addEventListener("change", suit);
  byId("team").addEventListener("change", follow);
  byId("form").addEventListener("submit", (event) => {
    event.preventDefault();
    const kind = byId("kind").value;
    let what = [];
    let sure = 1;
    if (["suspect", "isolate"].includes(kind)) {
      what = [...byId("failure").selectedOptions].map((option) => option.value);
      if (kind === "suspect" && !what.length) return;
      sure = Math.max(0, Math.min(100, Number(byId("sure").value))) / 100;
    } else if (["cover", "uncover"].includes(kind)) what = [byId("gauge").value];
    else if (byId("words").value.trim()) what = [byId("words").value.trim()];
    record(kind, what, sure);
  });
  byId("undo").addEventListener("click", () => {
    state.calls.pop();
    follow();
    remember();
  });
  byId("look-now").addEventListener("click", () => {
    const gauge = byId("look").value;
    go(data.look_s);
    state.looks.push({ minutes: minutes(), team: byId("team").value, gauge });
    state.aside = state.second;
    remember();
    showAside(gauge);
    byId("looked").textContent = `${clock(state.second)}  ${data.gauges[gauge]}`;
  });
  byId("save").addEventListener("click", () => {
    const session = {
      scenario: data.scenario,
      mark: data.mark,
      teams: data.teams,
      minutes: minutes(),
      calls: state.calls,
      looks: state.looks,
    };
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([JSON.stringify(session, null, 1) + "\n"], { type: "application/json" }));
    link.download = "session.json";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  });

  // ---------------------------------------------------------------- playing by mouse and keys

  byId("play").addEventListener("click", toggle);
  byId("step").addEventListener("click", () => go(1));
  byId("back").addEventListener("click", () => go(-10));
  byId("panel").addEventListener("click", (event) => {
    const cover = event.target.closest(".cover");
    const dial = event.target.closest(".dial");
    if (cover) flip(cover.dataset.covers);
    else if (dial) flip(dial.dataset.gauge);
  });
  const six = ["airspeed", "attitude", "altimeter", "turn_coordinator", "heading", "vertical_speed"];
  if (!data.gauges.turn_coordinator && data.gauges.electric_attitude) six[3] = "electric_attitude";
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    if (["INPUT", "SELECT", "TEXTAREA"].includes(event.target.tagName)) {
      if (event.key === "Escape") event.target.blur();
      return;
    }
    // space and Enter press the button that has the focus
    if ([" ", "Enter"].includes(event.key) && ["BUTTON", "SUMMARY", "A"].includes(event.target.tagName)) return;
    if (event.key === " ") toggle();
    else if (event.key === "ArrowRight") go(1);
    else if (event.key === "ArrowLeft") go(-10);
    else if (/^[1-6]$/.test(event.key) && data.gauges[six[event.key - 1]]) flip(six[event.key - 1]);
    else if (event.key.toLowerCase() === "c") byId("kind").focus();
    else return;
    event.preventDefault();
  });

  suit();
  follow();
  draw();
})();
