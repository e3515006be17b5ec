"use strict";
// Asks the page's exercises one after the other. A flight to be named plays; in a scan every gauge is
// covered until it is looked at, and the flight goes on by one look, or one wait, at a time.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const { clock, changed, put, since, FASTEST_PLAYED } = moving;
  const byId = (id) => document.getElementById(id);
  const kept = `drill ${data.page}`;
  const given = remembered();
  let task = null; // the exercise that is asked
  let second = 0; // of its flight
  let slots = []; // a scan's looks, "" for a wait
  let wanted = ""; // the gauge to be looked at next
  let open = ""; // the gauge that is looked at
  let until = 0; // when the look or the wait ends
  let running = false;
  let last = null;
  let began = 0;
  let flying = 0; // milliseconds in which the flight went on
  let answered = false;

  const isScan = () => task.kind === "scan";
  const reveal = (exercise) => {
    const bytes = Uint8Array.from(atob(exercise.hidden), (letter) => letter.charCodeAt(0));
    return JSON.parse(new TextDecoder().decode(bytes));
  };
  function remembered() {
    try {
      return JSON.parse(localStorage.getItem(kept)) || [];
    } catch {
      return [];
    }
  }
  function remember() {
    try {
      localStorage.setItem(kept, JSON.stringify(given));
    } catch {
      // a browser that keeps nothing: the answers last as long as the page is open
    }
  }
  const make = (tag, text, name = "") => {
    const made = document.createElement(tag);
    made.textContent = text;
    if (name) made.className = name;
    return made;
  };
  const paragraphs = (text) => text.split("\n").filter((line) => line).map((line) => make("p", line));

  // ---------------------------------------------------------------- the picture

  function cover() {
    for (const dial of document.querySelectorAll("#panel .dial")) {
      const gauge = dial.dataset.gauge;
      const hidden = task.covered.includes(gauge) && gauge !== open && !(answered && isScan());
      dial.style.display = hidden ? "none" : "";
      let over = dial.nextElementSibling;
      if (!over || !over.classList.contains("cover")) over = null;
      if (hidden && !over) {
        const holder = document.createElementNS("http://www.w3.org/2000/svg", "g");
        holder.innerHTML = data.covers[gauge];
        over = holder.firstElementChild;
        over.dataset.covers = gauge;
        if (isScan()) {
          over.setAttribute("tabindex", "0");
          over.setAttribute("role", "button");
          over.setAttribute("aria-label", `look at ${data.gauges[gauge]}`);
        }
        dial.after(over);
      } else if (!hidden && over) over.remove();
    }
  }
  function draw(dt = 0) {
    const now = Math.min(second, task.seconds - 1);
    put(task.tracks, now, dt);
    const leg = changed(task.legs, now);
    if (byId("leg").textContent !== leg) byId("leg").textContent = leg;
    byId("clock").textContent = isScan() ? `${clock(second)} of ${clock(task.seconds)}` : clock(second);
    cover();
  }

  // ---------------------------------------------------------------- time

  function run(yes) {
    running = yes;
    last = null;
    byId("play").textContent = running ? "Pause" : isScan() ? "Let it run" : "Play";
    if (running) requestAnimationFrame(tick);
  }
  function tick(now) {
    const busy = isScan() ? running || second < until : running;
    if (!busy) return;
    const dt = since(now, last);
    if (dt) {
      const speed = Number(byId("speed").value);
      flying += 1000 * dt;
      go(dt * speed, !isScan() && speed <= FASTEST_PLAYED ? dt : 0);
    }
    if (dt !== 0) last = now;
    requestAnimationFrame(tick);
  }
  function go(seconds, dt = 0) {
    if (!isScan() || answered) {
      second = Math.min(task.seconds - 1, second + seconds);
      if (second >= task.seconds - 1) run(false);
      return draw(dt);
    }
    let left = seconds;
    while (left > 0) {
      if (second >= until && !begin()) break;
      const step = Math.min(left, until - second);
      second += step;
      left -= step;
      if (second >= until) end();
      if (answered) return;
    }
    draw();
  }
  // a look or a wait begins; false if there is none
  function begin() {
    if (second >= task.seconds || (!wanted && !running)) return false;
    slots.push(wanted);
    open = wanted;
    wanted = "";
    until = Math.min(second + task.look_s, task.seconds);
    return true;
  }
  function end() {
    second = until;
    const gauge = slots.at(-1);
    const says = gauge ? task.looks[gauge][slots.length - 1] : "";
    if (says) {
      byId("seen").prepend(make("li", `${clock(second)} ${says}`));
      while (byId("seen").children.length > 8) byId("seen").lastChild.remove();
    }
    open = "";
    if (second >= task.seconds) finish("");
  }
  function look(gauge) {
    if (!isScan() || answered || !task.looks[gauge]) return;
    wanted = gauge;
    byId("fault").textContent = "";
    if (second >= until && begin()) {
      draw();
      if (!running) {
        last = null;
        requestAnimationFrame(tick);
      }
    }
  }

  // the way of the eye over the dials: yours as a whole line, the larger the disc the longer the stay; dashed the
  // looks that tell most
  function trace(best) {
    const holder = byId("panel");
    holder.querySelector(".trace")?.remove();
    const frame = holder.getBoundingClientRect();
    const drawing = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    drawing.classList.add("trace");
    drawing.setAttribute("viewBox", `0 0 ${frame.width} ${frame.height}`);
    const middle = (gauge) => {
      const box = holder.querySelector(`.dial[data-gauge="${gauge}"]`)?.getBoundingClientRect();
      return box && [box.x + box.width / 2 - frame.x, box.y + box.height / 2 - frame.y];
    };
    const add = (tag, attributes, text = "") => {
      const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
      for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
      made.textContent = text;
      drawing.append(made);
    };
    for (const [looks, kind] of [[best, "told"], [slots.filter((gauge) => gauge), "yours"]]) {
      // a stay on one dial is one place
      const places = [];
      looks.forEach((gauge, number) => {
        const last = places.at(-1);
        if (last && last.gauge === gauge) last.looks += 1;
        else if (middle(gauge)) places.push({ gauge, at: middle(gauge), looks: 1, first: number + 1 });
      });
      if (kind === "told") {
        // to and fro is drawn once, or its dashes would fill each other
        const ways = new Set(places.slice(1).map((place, number) => [places[number].at, place.at].sort().join(" ")));
        for (const points of ways) add("polyline", { points, class: kind });
        continue;
      }
      if (places.length) add("polyline", { points: places.map((place) => place.at.join(",")).join(" "), class: kind });
      const most = places.length ? Math.max(...places.map((place) => place.looks)) : 0;
      for (const { at, looks: stay, first } of places) {
        add("circle", { cx: at[0], cy: at[1], r: 11 + 5 * Math.min(stay - 1, 4), class: stay > 2 && stay === most ? "yours fixed" : "yours" });
        add("text", { x: at[0], y: at[1] + 5 }, String(first));
      }
      const seen = new Set(places.map((place) => place.gauge));
      for (const gauge of new Set(best)) {
        // omission: a dial of the best looks that was never looked at
        if (!seen.has(gauge) && middle(gauge)) add("circle", { cx: middle(gauge)[0], cy: middle(gauge)[1], r: 18, class: "missed" });
      }
    }
    holder.append(drawing);
  }

  // ---------------------------------------------------------------- asking

  function ask(number) {
    task = data.exercises[number];
    second = isScan() ? 0 : task.seconds - 1;
    [slots, wanted, open, until, flying, answered] = [[], "", "", 0, 0, false];
    began = performance.now();
    run(false);
    byId("title").textContent = `${number + 1} of ${data.exercises.length}: ${task.title}`;
    const lines = task.lines.map((line) => make("p", line));
    if (isScan()) {
      lines.push(make("p", `All gauges are hidden. Each look, by click or key, takes ${task.look_s} s while the flight goes on; 'Let it run' goes on without looks. At most one thing fails, at the start or later. Answer as soon as you know; 'no failure' and 'can't tell' count only from ${clock(task.patience)} on.`));
    }
    byId("asked").replaceChildren(...lines);
    byId("ask").textContent = "What has failed? At most one thing.";
    byId("options").replaceChildren(
      ...task.options.map(([words, none], place) => {
        const row = make("div", "", "option");
        const label = make("label", "");
        const radio = Object.assign(document.createElement("input"), { type: "radio", name: "option", value: data.letters[place] });
        label.append(radio, ` ${data.letters[place]}  ${words}`);
        row.append(label);
        if (!none) {
          const sure = Object.assign(document.createElement("input"), { type: "number", min: 0, max: 100, placeholder: "%" });
          sure.dataset.letter = data.letters[place];
          sure.setAttribute("aria-label", `chance of ${words}, percent`);
          row.append(sure);
        }
        return row;
      }),
    );
    document.querySelector("#panel .trace")?.remove();
    byId("look-box").hidden = !isScan();
    byId("again").hidden = isScan();
    byId("seen").replaceChildren();
    byId("told").hidden = byId("next").hidden = true;
    byId("form").hidden = false;
    byId("fault").textContent = "";
    draw();
  }
  // the answer as the terminal takes it: a letter, or chances that add up to 100
  function typed() {
    const chances = [...byId("options").querySelectorAll("input[type=number]")].filter((box) => box.value !== "");
    if (!chances.length) {
      const chosen = byId("options").querySelector("input[type=radio]:checked");
      if (!chosen) throw new Error("Choose an answer.");
      return chosen.value;
    }
    const total = chances.reduce((sum, box) => sum + Number(box.value), 0);
    if (chances.some((box) => !(Number(box.value) >= 0 && Number(box.value) <= 100))) throw new Error("Percentages are from 0 to 100.");
    if (Math.abs(total - 100) > 2 && !(chances.length === 1 && total < 100)) throw new Error(`The percentages add up to ${total}, not 100.`);
    return chances.map((box) => `${box.dataset.letter} ${Number(box.value)}`).join(" ");
  }
  // the same, as a chance for each answer; null for a letter
  function stated(text) {
    const pairs = [...text.matchAll(/([a-z]) ([\d.]+)/g)].map(([, letter, value]) => [data.letters.indexOf(letter), Number(value)]);
    if (!pairs.length) return null;
    const said = task.options.map(() => 0);
    for (const [place, value] of pairs) said[place] = value;
    const rest = task.options.map((_, place) => place).filter((place) => !task.options[place][1] && place !== pairs[0][0]);
    if (pairs.length === 1) for (const place of rest) said[place] = (100 - pairs[0][1]) / rest.length;
    const total = said.reduce((sum, value) => sum + value, 0);
    return said.map((value) => value / total);
  }
  const highest = (values) => values.indexOf(Math.max(...values));

  // ---------------------------------------------------------------- after the answer

  function finish(text) {
    const thought = Math.max(0, performance.now() - began - flying) / 1000;
    const number = data.exercises.indexOf(task) + 1;
    const hidden = reveal(task);
    answered = true;
    run(false);
    until = second;
    given.push({
      number,
      plan: hidden.plan,
      at: new Date().toISOString(),
      seconds: Math.round(thought * 10) / 10,
      answer: text,
      looks: isScan() ? slots : [],
    });
    remember();
    byId("told").replaceChildren(...(isScan() ? afterScan(text, hidden) : afterName(text, hidden)));
    cover();
    if (isScan()) {
      trace(hidden.best);
      byId("told").append(make("p", "On the panel: your looks in their order, a larger disc where you stayed (red: longest, three looks or more); dashed, the looks that tell most; dashed ring, one of them that you left out.", "quiet"));
    }
    byId("told").insertAdjacentHTML("beforeend", hidden.plumbing);
    byId("told").hidden = false;
    byId("form").hidden = byId("look-box").hidden = true;
    byId("again").hidden = false;
    byId("next").hidden = given.length >= data.exercises.length;
    draw();
    list();
    (byId("next").hidden ? byId("told") : byId("next")).focus();
  }
  function afterName(text, hidden) {
    const said = stated(text);
    const place = said ? highest(said) : data.letters.indexOf(text);
    const none = task.options.findIndex(([, isNone]) => isNone);
    // who is sure of nothing is right where nobody can tell yet
    const tied = said && said.filter((value) => Math.abs(value - said[place]) < 1e-9).length > 1;
    const meant = tied || (said && hidden.right[0] === none && said[place] < hidden.told) ? none : place;
    const lines = paragraphs(hidden.says[meant]);
    given.at(-1).correct = hidden.right.includes(meant);
    if (said) {
      const lost = said.reduce((sum, value, k) => sum + (value - hidden.chances[k]) ** 2, 0) / 2;
      const percent = (value) => `${Math.round(100 * value)} %`;
      lines.splice(1, 0, make("p", `Score ${Math.round(100 * (1 - lost))} of 100. You gave your first choice ${percent(said[place])}; what was visible gives it ${percent(hidden.chances[place])}.`));
    }
    return lines;
  }
  function afterScan(text, hidden) {
    const said = stated(text);
    const place = said ? highest(said) : data.letters.indexOf(text);
    const early = hidden.onset !== null && second <= hidden.onset;
    const name = task.options[hidden.truth[0]][0];
    const lines = [];
    if (!text) lines.push("Time is up and you made no call.");
    if (early && text) lines.push(`The failure came later, at ${clock(hidden.onset)}: ${name}.`);
    else lines.push(`What it was: ${name}.`);
    if (hidden.onset === 0) lines.push("It was there from the start.");
    else if (hidden.onset !== null && !(early && text)) lines.push(`It began at ${clock(hidden.onset)}.`);
    const gaveUp = text && hidden.gives_up.includes(place);
    if (gaveUp && (second < task.patience || !hidden.stays.includes(place))) {
      lines.push(`You answered: ${task.options[place][0]}. Too early to be right. It is wrong if what you had looked at already told more; that is marked when you read the results back. Keep looking, or look elsewhere, to learn more.`);
    } else if (text && hidden.truth.includes(place)) {
      lines.push(early ? "That is what you called, but it had not begun: a guess." : "That is what you called. Whether your looks were enough to tell is marked when you read the results back.");
    } else if (text && task.options[place][1]) lines.push("You answered: can't tell yet. Whether your looks were enough to tell is marked when you read the results back.");
    else if (text) lines.push(`You answered: ${task.options[place][0]}.`);
    const dwell = {};
    for (const gauge of slots) if (gauge) dwell[gauge] = (dwell[gauge] || 0) + task.look_s;
    const order = Object.entries(dwell).sort((a, b) => b[1] - a[1]);
    if (order.length) lines.push(`Your looks: ${order.map(([gauge, seconds]) => `${data.short[gauge]} ${seconds} s`).join(", ")}; you ended at ${clock(second)}.`);
    return [...paragraphs(lines.join("\n")), ...paragraphs(hidden.says)];
  }
  function list() {
    byId("answers").tBodies[0].replaceChildren(
      ...given.map((answer) => {
        const row = document.createElement("tr");
        const asked = data.exercises[answer.number - 1];
        const words = /^[a-z]$/.test(answer.answer) ? asked.options[data.letters.indexOf(answer.answer)][0] : answer.answer || "no call";
        const mark = asked.kind === "scan" ? "marked when read back" : answer.correct ? "correct" : "wrong";
        for (const text of [`${answer.number} ${asked.title}`, words, mark]) row.append(make("td", text));
        return row;
      }),
    );
    byId("save").disabled = !given.length;
    if (given.length >= data.exercises.length) byId("title").textContent = "All exercises are answered: download the results.";
  }
  function save() {
    const answers = given.map(({ correct, ...answer }) => answer);
    const { format, version, page, panel } = data;
    const text = JSON.stringify({ format, version, page, panel, answers }, null, 1) + "\n";
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    link.download = "drill_results.json";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }

  // ---------------------------------------------------------------- mouse and keys

  byId("look").replaceChildren(...Object.entries(data.gauges).map(([gauge, name]) => new Option(name, gauge)));
  byId("look-now").addEventListener("click", () => look(byId("look").value));
  byId("play").addEventListener("click", toggle);
  byId("again").addEventListener("click", () => {
    second = 0;
    draw();
    run(true);
  });
  function toggle() {
    if (!running && second >= task.seconds - 1) second = 0;
    run(!running);
  }
  byId("panel").addEventListener("click", (event) => {
    const over = event.target.closest(".cover");
    if (over) look(over.dataset.covers);
  });
  byId("form").addEventListener("submit", (event) => {
    event.preventDefault();
    if (answered) return;
    try {
      const text = typed();
      if (isScan() && !slots.some((gauge) => gauge)) throw new Error("Look at a gauge first, then answer.");
      finish(text);
    } catch (error) {
      byId("fault").textContent = error.message;
    }
  });
  byId("next").addEventListener("click", next);
  byId("save").addEventListener("click", save);
  function next() {
    const done = new Set(given.map((answer) => answer.number));
    const number = data.exercises.findIndex((_, place) => !done.has(place + 1));
    if (number >= 0) ask(number);
    return number >= 0;
  }
  const six = ["airspeed", "attitude", "altimeter", "turn_coordinator", "heading", "vertical_speed"];
  if (!data.gauges.turn_coordinator && data.gauges.electric_attitude) six[3] = "electric_attitude";
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const typing = event.target.tagName === "SELECT" || (event.target.tagName === "INPUT" && event.target.type === "number");
    if (typing) {
      if (event.key === "Escape") event.target.blur();
      return;
    }
    const letter = data.letters.indexOf(event.key);
    if (event.key === "Enter" && event.target.dataset && event.target.dataset.covers) look(event.target.dataset.covers);
    else if ([" ", "Enter"].includes(event.key) && ["BUTTON", "SUMMARY"].includes(event.target.tagName)) return;
    else if (event.key === " ") toggle();
    else if (/^[1-6]$/.test(event.key)) look(six[event.key - 1]);
    else if (event.key.length === 1 && letter >= 0 && letter < task.options.length && !answered) {
      byId("options").querySelectorAll("input[type=radio]")[letter].checked = true;
      byId("answer").focus();
    } else return;
    event.preventDefault();
  });

  if (!next()) {
    task = data.exercises[data.exercises.length - 1];
    answered = true;
    second = task.seconds - 1;
    byId("form").hidden = byId("look-box").hidden = true;
    draw();
  }
  list();
})();
