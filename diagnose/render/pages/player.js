"use strict";
// The calls of the playing page: on the panel itself, by system and cause, and decisions that change the flight.
(() => {
  const { data, state, byId, make, clock, go, draw, write } = deck;
  const kept = `played ${data.mark}`;
  const held = { calls: [], looks: [], aside: 0, system: "", open: "", ...remembered() };
  const words = { suspect: "suspects", isolate: "names", cover: "covers", doubt: "doubts", trust: "trusts", tell_atc: "tells ATC", decide: "decides" };
  const using = { cover: "covered", doubt: "doubted", trust: "", uncover: "" };
  const naming = (kind) => kind === "suspect" || kind === "isolate";
  const sheets = ["suspect", "isolate", "decide", "tell_atc", "look"];
  let used = new Map();

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
    const { second, furthest, answered } = state;
    const { calls, looks, open, system, over } = held;
    const typed = { team: byId("team").value, speed: byId("speed").value, sure: byId("sure").value, words: byId("words").value, find: byId("find").value, chosen: chosen() };
    try {
      localStorage.setItem(kept, JSON.stringify({ second, furthest, answered, calls, looks, open, system, over, typed }));
    } catch {
      // a browser that keeps nothing: the calls last as long as the page is open
    }
  }

  // ---------------------------------------------------------------- decisions about switches

  function moves() {
    const stands = structuredClone(data.switches.stands);
    const found = [];
    const decided = held.calls.filter((call) => call.kind === "decide" && call.move);
    for (const { move: [name, position], minutes: at } of decided.toSorted((a, b) => a.minutes - b.minutes)) {
      // as the record is read: at the next step of the clock; a time with three digits may lie a little after it
      const second = Math.ceil((at * 60) / data.step_s - 1e-3) * data.step_s;
      if (second >= data.seconds || at_(stands[name], second) === position) continue;
      stands[name] = [...stands[name].filter(([when]) => when < second), [second, position], ...stands[name].filter(([when]) => when > second)];
      found.push([name, position, second]);
    }
    return found;
  }
  const at_ = (changes, second) => moving.changed(changes, second);
  const key = (list) => list.map((move) => move.join(" ")).join("; ");
  const branches = new Map(data.branches.map((branch, place) => [key(branch.moves), place + 1]));
  const whole = new Map();
  // a branch's track is its own numbers and pointers to other flights
  function track(place, part) {
    const branch = place ? data.branches[place - 1].parts[part] : null;
    const base = data.tracks[part];
    if (!branch) return base;
    const name = `${place} ${part}`;
    if (whole.has(name)) return whole.get(name);
    const made = { ...base };
    if (base.changes) made.changes = branch;
    else {
      made.values = [];
      if (base.second) made.second = [];
      branch.forEach(([from, source], run) => {
        const until = run + 1 < branch.length ? branch[run + 1][0] : base.values.length;
        const other = typeof source === "number" ? track(source, part) : null;
        made.values.push(...(other ? other.values.slice(from, until) : source[0]));
        if (base.second) made.second.push(...(other ? other.second.slice(from, until) : source[1]));
      });
    }
    whole.set(name, made);
    return made;
  }
  function fly() {
    const all = moves();
    // a switch that shows on no dial has no flight of its own
    const shows = (name) => all.some((move) => move[0] === name && branches.has(key([move])));
    const place = branches.get(key(all.filter(([name]) => shows(name)))) || 0;
    state.tracks = place ? Object.fromEntries(Object.keys(data.tracks).map((part) => [part, track(place, part)])) : data.tracks;
    state.says = [...data.says, ...all.map(([name, position, second]) => [second / 60, `${data.switches.names[name]} ${position}`])].sort((a, b) => a[0] - b[0]);
    for (const button of document.querySelectorAll("[data-switch]")) {
      button.disabled = all.length >= (data.switches.pairs ? 2 : 1);
      button.title = button.disabled ? "this page flies no more switches: undo one, or use the terminal" : "";
    }
  }

  // ---------------------------------------------------------------- calls

  function record(kind, what, sure, move) {
    held.calls.push({ minutes: minutes(), team: byId("team").value, kind, what, sure, ...(move ? { move } : {}) });
    follow();
    remember();
  }
  const named = (name) => data.failures[name]?.[1] || (data.systems[name] && `the ${data.systems[name][1]}`) || data.gauges[name] || name;
  function follow() {
    used = new Map();
    for (const call of held.calls.toSorted((a, b) => a.minutes - b.minutes))
      if (call.team === byId("team").value && call.kind in using) used.set(call.what[0], using[call.kind]);
    showUse();
    fly();
    const rows = held.calls.map((call) => {
      const sure = naming(call.kind) ? ` (${Math.round(call.sure * 100)} %)` : "";
      const none = call.kind === "isolate" && !call.what.length ? "nothing failed" : call.what.map(named).join(" + ");
      return [clock(call.minutes * 60), call.team, `${words[call.kind] || "trusts"} ${none}${sure}`];
    });
    const lines = rows.map((row) => {
      const line = make("tr");
      for (const text of row) line.append(make("td", text));
      return line;
    });
    byId("calls").tBodies[0].replaceChildren(...lines);
    byId("last").textContent = rows.length ? `Last call: ${rows.at(-1).join("  ")}` : "Press a dial to cover, doubt or trust it.";
    byId("undo").disabled = !held.calls.length;
    draw();
  }

  // ---------------------------------------------------------------- how each dial is used, on panel and plumbing

  function showUse() {
    for (const dial of document.querySelectorAll("#panel .dial")) {
      const how = used.get(dial.dataset.gauge) || "";
      dial.classList.toggle("doubted", how === "doubted");
      dial.style.display = how === "covered" ? "none" : "";
      const cover = dial.nextElementSibling;
      if (how === "covered" && !cover?.classList.contains("cover")) {
        const holder = document.createElementNS("http://www.w3.org/2000/svg", "g");
        holder.innerHTML = data.covers[dial.dataset.gauge];
        const drawn = holder.firstElementChild;
        drawn.dataset.covers = dial.dataset.gauge;
        pressed(drawn);
        dial.after(drawn);
      } else if (how !== "covered" && cover?.classList.contains("cover")) cover.remove();
    }
    for (const box of document.querySelectorAll("svg.plumbing [data-gauges]"))
      for (const how of ["covered", "doubted"]) box.classList.toggle(how, box.dataset.gauges.split(" ").some((gauge) => used.get(gauge) === how));
  }
  function pressed(part) {
    part.setAttribute("tabindex", "0");
    part.setAttribute("role", "button");
  }
  for (const dial of document.querySelectorAll("#panel .dial")) if (data.gauges[dial.dataset.gauge]) pressed(dial);
  const gaugeOf = (target) => target.closest(".cover")?.dataset.covers || target.closest(".dial")?.dataset.gauge;
  const shownBox = (gauge) => document.querySelector(`#panel [data-covers="${gauge}"]`) || document.querySelector(`#panel .dial[data-gauge="${gauge}"]`);
  let asked = "";
  function ask(gauge) {
    asked = gauge;
    const box = shownBox(gauge).getBoundingClientRect();
    const stage = byId("stage").getBoundingClientRect();
    const menu = byId("menu");
    byId("menu-gauge").textContent = data.gauges[gauge];
    for (const button of menu.querySelectorAll("[data-use]")) button.setAttribute("aria-pressed", using[button.dataset.use] === (used.get(gauge) || ""));
    menu.hidden = false;
    const wide = menu.offsetWidth;
    menu.style.left = `${Math.max(0, Math.min(stage.width - wide, box.left - stage.left + box.width / 2 - wide / 2))}px`;
    menu.style.top = `${box.bottom - stage.top - Math.min(box.height / 3, 40)}px`;
    menu.querySelector("[data-use]").focus({ preventScroll: true });
    menu.scrollIntoView({ block: "nearest" });
  }
  function unasked(back = true) {
    if (byId("menu").hidden) return;
    byId("menu").hidden = true;
    if (back && asked) shownBox(asked)?.focus();
  }
  byId("menu").addEventListener("click", (event) => {
    const how = event.target.dataset.use;
    if (!how) return;
    if (using[how] !== (used.get(asked) || "")) record(how, [asked], 1);
    unasked();
  });
  byId("panel").addEventListener("click", (event) => {
    const gauge = gaugeOf(event.target);
    if (gauge && data.gauges[gauge]) ask(gauge);
  });
  document.addEventListener("click", (event) => {
    if (!event.target.closest("#menu, #panel")) unasked(false);
  });
  byId("stage").addEventListener("keydown", (event) => {
    const gauge = [" ", "Enter"].includes(event.key) && event.target.matches(".dial, .cover") ? gaugeOf(event.target) : "";
    if (gauge) {
      event.preventDefault();
      ask(gauge);
    }
  });

  // ---------------------------------------------------------------- sheets: suspect, name, decide, tell, look

  function openSheet(kind) {
    held.open = held.open === kind ? "" : kind;
    showSheet();
    remember();
    const first = [...byId("sheet").querySelectorAll("button, input, select")].find((box) => box.offsetParent && !box.disabled);
    if (held.open) first?.focus({ preventScroll: true });
    // on a telephone the sheet lies over the lower half: the six go to the upper one
    if (held.open && getComputedStyle(byId("sheet")).position === "fixed") byId("six").scrollIntoView();
  }
  function showSheet() {
    const kind = held.open;
    byId("sheet").hidden = !kind;
    for (const button of document.querySelectorAll("[data-sheet]")) button.setAttribute("aria-expanded", button.dataset.sheet === kind);
    byId("cause-box").hidden = !naming(kind);
    byId("switch-box").hidden = kind !== "decide";
    byId("words-box").hidden = !["decide", "tell_atc"].includes(kind);
    byId("look-box").hidden = kind !== "look";
    byId("nothing").hidden = kind !== "isolate";
    byId("some").hidden = kind !== "suspect";
    byId("record").textContent = kind === "isolate" ? "Name it" : kind === "suspect" ? "Suspect the cause" : "Record";
    byId("record").hidden = kind === "look";
    listCauses();
  }
  const chosen = () => [...byId("causes").querySelectorAll("input:checked")].map((box) => box.value);
  const causes = Object.entries(data.failures).sort((a, b) => a[1][1].localeCompare(b[1][1])).map(([id, [system, name, ways]]) => {
    const label = make("label", "", "cause");
    const box = make("input");
    box.type = "checkbox";
    box.value = id;
    label.append(box, make("span", name));
    byId("causes").append(label);
    return { label, box, system, said: `${name} ${ways}`.toLowerCase() };
  });
  function listCauses() {
    const find = byId("find").value.trim().toLowerCase().split(/\s+/);
    let shown = 0;
    for (const { label, box, system, said } of causes) {
      label.hidden = !box.checked && ((held.system && system !== held.system) || !find.every((word) => said.includes(word)));
      shown += !label.hidden;
    }
    for (const button of document.querySelectorAll("[data-system]")) button.setAttribute("aria-pressed", button.dataset.system === held.system);
    byId("some").disabled = !held.system;
    byId("some").textContent = held.system ? `Suspect the ${data.systems[held.system][1]}` : "Suspect a system: choose it first";
    byId("none-found").hidden = shown > 0;
  }
  for (const button of document.querySelectorAll("[data-sheet]")) button.addEventListener("click", () => openSheet(button.dataset.sheet));
  for (const [id, [short]] of Object.entries(data.systems)) {
    const button = make("button", short);
    button.type = "button";
    button.dataset.system = id;
    button.addEventListener("click", () => {
      held.system = held.system === id ? "" : id;
      listCauses();
      remember();
    });
    byId("systems").append(button);
  }
  for (const [name, positions] of Object.entries(data.switches.positions))
    for (const position of positions) {
      const button = make("button", `${data.switches.names[name]} ${position}`);
      button.type = "button";
      button.dataset.switch = `${name} ${position}`;
      button.addEventListener("click", () => {
        record("decide", [`${data.switches.names[name]} ${position}`], 1, [name, position]);
        closeSheet();
      });
      byId("switches").append(button);
    }
  byId("find").addEventListener("input", listCauses);
  const sure = () => Number(byId("sure").value) / 100;
  const showSure = () => (byId("sure-words").textContent = `${byId("sure").value} %`);
  byId("sure").addEventListener("input", showSure);
  function closeSheet() {
    const opener = document.querySelector(`[data-sheet="${held.open}"]`);
    held.open = "";
    for (const { box } of causes) box.checked = false;
    byId("find").value = byId("words").value = "";
    write("fault", "");
    showSheet();
    remember();
    opener?.focus();
  }
  byId("some").addEventListener("click", () => {
    record("suspect", [held.system], sure());
    closeSheet();
  });
  byId("nothing").addEventListener("click", () => {
    record("isolate", [], sure());
    closeSheet();
  });
  byId("close").addEventListener("click", closeSheet);
  byId("form").addEventListener("submit", (event) => {
    event.preventDefault();
    const kind = held.open;
    const said = byId("words").value.trim();
    if (naming(kind) && !chosen().length) return write("fault", "Tick at least one cause.");
    // what moves a switch is read from its name: typed, page and record might not agree
    if (kind === "decide" && data.switches.words.some((word) => ` ${said.toLowerCase()} `.includes(word)))
      return write("fault", "Use the buttons above for a switch: they change the flight.");
    record(kind, naming(kind) ? chosen() : said ? [said] : [], naming(kind) ? sure() : 1);
    closeSheet();
  });
  byId("look").replaceChildren(...data.unseen.map((gauge) => new Option(data.gauges[gauge], gauge)));
  byId("look-opens").hidden = !data.unseen.length;
  byId("look-now").addEventListener("click", () => {
    const gauge = byId("look").value;
    go(data.look_s);
    held.looks.push({ minutes: minutes(), team: byId("team").value, gauge });
    held.aside = state.second;
    remember();
    showAside(gauge);
    byId("looked").textContent = `${clock(state.second)}  ${data.gauges[gauge]}`;
  });
  function showAside(gauge) {
    for (const box of document.querySelectorAll("[data-aside]")) box.hidden = box.dataset.aside !== gauge;
  }

  // ---------------------------------------------------------------- the rest

  byId("team").replaceChildren(...data.teams.map((team) => new Option(team, team)));
  byId("team-box").hidden = data.teams.length < 2;
  byId("team").addEventListener("change", () => (follow(), remember()));
  byId("undo").addEventListener("click", () => (held.calls.pop(), follow(), remember()));
  byId("clear").addEventListener("click", () => {
    if (!confirm("Undo all calls and looks, and start again at 0:00?")) return;
    Object.assign(held, { calls: [], looks: [], over: false });
    Object.assign(state, { second: 0, furthest: 0, answered: [] });
    for (const made of document.querySelectorAll("#marks .fails")) made.remove();
    closeSheet();
    follow();
    deck.to(0);
    showEnd();
  });
  byId("save").addEventListener("click", () => {
    const session = {
      scenario: data.scenario,
      mark: data.mark,
      teams: data.teams,
      minutes: minutes(),
      calls: held.calls.map(({ move, ...call }) => call),
      looks: held.looks,
    };
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([JSON.stringify(session, null, 1) + "\n"], { type: "application/json" }));
    link.download = "session.json";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  });
  // afterwards: what failed, on the bar; who has seen it makes no more calls
  function reveal() {
    held.over = true;
    const failed = JSON.parse(new TextDecoder().decode(Uint8Array.from(atob(data.hidden), (sign) => sign.charCodeAt(0))));
    for (const [at, says] of failed) deck.mark(at * 60, says, "fails");
    byId("failed").replaceChildren(...(failed.length ? failed : [[0, "nothing failed in this flight"]]).map(([at, says]) => make("li", `${clock(at * 60)}  ${says}`)));
    showEnd();
    draw();
    remember();
  }
  function showEnd() {
    byId("end-box").hidden = state.furthest < data.seconds;
    byId("reveal").hidden = Boolean(held.over);
    byId("failed").hidden = !held.over;
    for (const button of document.querySelectorAll("[data-sheet], [data-use], #record, #some, #nothing, #look-now, #undo, [data-switch]")) if (held.over) button.disabled = true;
    for (const button of document.querySelectorAll("[data-sheet], [data-use], #record, #nothing, #look-now")) if (!held.over) button.disabled = false;
  }
  byId("reveal").addEventListener("click", reveal);

  const six = ["airspeed", "attitude", "altimeter", "turn_coordinator", "heading", "vertical_speed"];
  if (!data.gauges.turn_coordinator && data.gauges.electric_attitude) six[3] = "electric_attitude";
  function pressedKey(name) {
    if (name === "Escape") {
      if (!byId("menu").hidden) unasked();
      else if (held.open) closeSheet();
      return true;
    }
    if (/^[1-6]$/.test(name) && data.gauges[six[name - 1]]) ask(six[name - 1]);
    else if (!byId("menu").hidden && "cdt".includes(name.toLowerCase())) byId("menu").querySelector(`[data-key=${name.toLowerCase()}]`).click();
    else if ("sndal".includes(name.toLowerCase()) && name.length === 1) openSheet(sheets["sndal".indexOf(name.toLowerCase())]);
    else return false;
    return true;
  }

  const before = remembered();
  for (const name of ["second", "furthest", "answered"]) if (before[name]) state[name] = before[name];
  for (const name of ["speed", "sure", "words", "find"]) if (before.typed?.[name]) byId(name).value = before.typed[name];
  if (data.teams.includes(before.typed?.team)) byId("team").value = before.typed.team;
  for (const { box } of causes) box.checked = Boolean(before.typed?.chosen?.includes(box.value));
  addEventListener("pagehide", remember);
  showSure();
  showSheet();
  deck.start({
    drawn(second) {
      // what is not on the panel is seen for as long again as the look took
      if (Math.abs(second - held.aside) > data.look_s) showAside("");
      if (state.furthest >= data.seconds && byId("end-box").hidden) showEnd();
    },
    stopped: remember,
    hidden: (gauge) => used.get(gauge) || "",
    key: pressedKey,
  });
  follow();
  if (held.over) reveal();
  showEnd();
})();
