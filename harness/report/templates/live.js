"use strict";
(() => {
  const NS = "http://www.w3.org/2000/svg";
  const $ = (id) => document.getElementById(id);
  const dayClock = new Intl.DateTimeFormat([], { weekday: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const hourClock = new Intl.DateTimeFormat([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const dateMark = new Intl.DateTimeFormat([], { weekday: "short", day: "numeric" });
  const at = (iso) => Date.parse(iso);
  const clock = (ms, near) => (near && new Date(ms).toDateString() === new Date(near).toDateString() ? hourClock : dayClock).format(ms);
  const make = (name, attributes = {}, text) => {
    const made = document.createElementNS(NS, name);
    for (const [k, v] of Object.entries(attributes)) made.setAttribute(k, v);
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const element = (name, kind, text) => {
    const made = document.createElement(name);
    if (kind) made.className = kind;
    if (text) made.textContent = text;
    return made;
  };
  const mAh = (Ah) => `${(Ah * 1000).toFixed(0)} mAh`;
  const span = (s) => s < 90 ? `${Math.round(s)} s` : s < 5400 ? `${Math.round(s / 60)} min` : `${(s / 3600).toFixed(1)} h`;

  const slotsOf = (data) => data.queue === null ? [] : data.queue.slots;
  // One clock for all rows: from the first beginning to the last expected end, never less than an hour.
  const nightOf = (data) => {
    const now = at(data.now_utc);
    const from = Math.min(...data.runs.map((r) => r.began_utc === null ? now : at(r.began_utc)), now - 1800e3);
    const ends = data.runs.flatMap((r) => r.ends_utc === null ? [] : [at(r.ends_utc[0])]);
    const next = slotsOf(data).map((slot) => at(slot.end)).filter((end) => end < now + 24 * 3600e3);
    return { now, from, to: Math.max(now + 600e3, from + 3600e3, ...ends.map((e) => e + 0.04 * (e - from)), ...next) };
  };
  const hoursIn = (night, width) => {
    const most = Math.max(2, Math.floor(width / 75));
    const step = [1, 2, 3, 4, 6, 12, 24, 48].find((h) => (night.to - night.from) / 3600e3 / h <= most) ?? 96;
    const first = new Date(night.from); first.setMinutes(0, 0, 0);
    const out = [];
    for (let t = new Date(first); t.getTime() <= night.to; t.setHours(t.getHours() + 1)) {
      if (t.getTime() >= night.from && t.getHours() % Math.min(step, 24) === 0) out.push(t.getTime());
    }
    return out;
  };
  const pieces = (curve) => {
    const out = [[]];
    for (const p of curve) {
      if (p[0] === null) out.push([]);
      else if (p[1] !== null) out[out.length - 1].push(p);
    }
    return out.filter((piece) => piece.length > 0);
  };
  // The current below the voltage, on one scale for its whole run, filled from zero.
  const drawAmps = (parts, put, top, foot, left, em) => {
    let low = 0, high = 0;
    for (const p of parts.flat()) { if (p[3] !== null) { low = Math.min(low, p[3]); high = Math.max(high, p[4]); } }
    if (high - low < 0.005) return { items: [], said: "" };
    const y = (a) => top + (high - a) / (high - low) * (foot - top);
    const items = [make("line", { class: "zero", x1: left, x2: put.end, y1: y(0), y2: y(0) })];
    for (const piece of parts) {
      const own = piece.filter((p) => p[3] !== null);
      if (own.length === 0) continue;
      const upper = own.map((p) => put(p, y(Math.max(p[4], 0)))), lower = own.map((p) => put(p, y(Math.min(p[3], 0)))).reverse();
      items.push(make("path", { class: "amps", d: `M${upper.join("L")}L${lower.join("L")}Z` }));
    }
    const most = high > -low ? high : low;
    items.push(make("text", { x: left - 0.3 * em, y: (top + foot) / 2 + 0.3 * em, "text-anchor": "end" }, `${most.toFixed(2)} A`));
    return { items, said: `; current between ${low.toFixed(2)} and ${high.toFixed(2)} ampere` };
  };
  const drawNext = (slots, x, night, width, top, foot, em) => slots.flatMap((slot) => {
    const begin = x(Math.max(at(slot.begin), night.now)), end = Math.min(x(at(slot.end)), width - 2);
    if (end - begin < 3) return [];
    const middle = (top + foot) / 2, fits = (text) => end - begin >= 0.5 * em * text.length;
    const label = [`${slot.cell} ${slot.recipe}`, slot.recipe, slot.cell].find(fits);
    const box = make("rect", { class: "planned", x: begin, width: end - begin, y: middle - 0.75 * em, height: 1.5 * em });
    return label === undefined ? [box] : [box, make("text", { x: begin + 0.4 * em, y: middle + 0.3 * em }, label)];
  });
  const draw = (svg, run, night, slots) => {
    const width = Math.max(svg.clientWidth, 200), height = Math.max(svg.clientHeight, 80);
    const em = parseFloat(getComputedStyle(document.documentElement).fontSize);
    const left = 3.8 * em, top = 0.5 * em, foot = height - 1.5 * em;
    const split = foot - 0.3 * (foot - top), below = split - 0.4 * em; // voltage above, current below
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const parts = pieces(run.curve);
    const x = (ms) => left + (ms - night.from) / (night.to - night.from) * (width - left - 4);
    const items = [];
    const marks = hoursIn(night, width - left);
    const mark = marks.every((hour) => new Date(hour).getHours() === 0) ? dateMark : hourClock;  // days, not 00:00 each
    for (const hour of marks) {
      items.push(make("line", { class: "hour", x1: x(hour), x2: x(hour), y1: top, y2: foot }));
      if (x(hour) < width - 1.2 * em) items.push(make("text", { x: x(hour), y: height - 0.3 * em, "text-anchor": "middle" }, mark.format(hour)));
    }
    items.push(make("line", { class: "floor", x1: left, x2: width, y1: foot, y2: foot }));
    let said = "no reading yet";
    if (parts.length > 0 && run.began_utc !== null) {
      const zero = at(run.began_utc);
      let low = Infinity, high = -Infinity;
      for (const p of parts.flat()) { low = Math.min(low, p[1]); high = Math.max(high, p[2]); }
      const pad = Math.max(0.04 * (high - low), 0.005);
      const y = (v) => top + (high + pad - v) / (high - low + 2 * pad) * (below - top);
      parts.forEach((piece, k) => {
        const put = (p, v) => `${x(zero + p[0] * 1000).toFixed(1)},${y(v).toFixed(1)}`;
        const upper = piece.map((p) => put(p, p[2])), lower = piece.map((p) => put(p, p[1])).reverse();
        items.push(make("path", { class: "trace", d: `M${upper.join("L")}L${lower.join("L")}Z` }));
        if (k === 0) return;
        const before = parts[k - 1][parts[k - 1].length - 1];
        const x1 = x(zero + before[0] * 1000), x2 = x(zero + piece[0][0] * 1000), middle = (top + below) / 2;
        items.push(make("path", { class: "blind", d: `M${x1},${middle}H${x2}` }));
        if (x2 - x1 > 5 * em) items.push(make("text", { x: (x1 + x2) / 2, y: middle - 0.4 * em, "text-anchor": "middle" }, "no reading"));
      });
      items.push(make("text", { x: left - 0.3 * em, y: y(high) + 0.5 * em, "text-anchor": "end" }, `${high.toFixed(2)} V`));
      if (y(low) - y(high) > 1.6 * em) items.push(make("text", { x: left - 0.3 * em, y: y(low), "text-anchor": "end" }, `${low.toFixed(2)} V`));
      const along = (p, height) => `${x(zero + p[0] * 1000).toFixed(1)},${height.toFixed(1)}`;
      along.end = x(Math.min(zero + parts[parts.length - 1][parts[parts.length - 1].length - 1][0] * 1000, night.to));
      const amps = drawAmps(parts, along, split, foot - 0.2 * em, left, em);
      items.push(...amps.items);
      const gaps = parts.length - 1;
      said = `between ${low.toFixed(2)} and ${high.toFixed(2)} volt since ${dayClock.format(zero)}${gaps ? `, ${gaps} ${gaps === 1 ? "gap" : "gaps"} without readings` : ""}${amps.said}`;
    }
    items.push(...drawNext(slots, x, night, width, top, below, em));
    if (run.ends_utc !== null) {
      const end = at(run.ends_utc[0]);
      items.push(make("path", { class: "ahead", d: `M${x(night.now)},${foot - 0.35 * em}H${Math.min(x(end), width - 2)}` }));
      items.push(make("line", { class: "end", x1: x(end), x2: x(end), y1: foot - 1.2 * em, y2: foot }));
      if (x(end) - x(night.now) > 4 * em) items.push(make("text", { x: x(end) - 0.3 * em, y: foot - 0.7 * em, "text-anchor": "end" }, "done"));
    }
    items.push(make("line", { class: "now", x1: x(night.now), x2: x(night.now), y1: top, y2: foot }));
    svg.replaceChildren(...items);
    svg.setAttribute("aria-label", `Voltage and current of ${run.cell} over time: ${said}`);
  };

  const figures = (run) => {
    const parts = [];
    if (run.current_A !== null) parts.push(`${(run.current_A * 1000).toFixed(0)} mA`);
    if (run.temperature_degC !== null) parts.push(`${run.temperature_degC.toFixed(1)} °C`);
    if (run.charged_Ah !== null && run.charged_Ah >= 0.0005) parts.push(`${mAh(run.charged_Ah)} in`);
    if (run.discharged_Ah !== null && run.discharged_Ah >= 0.0005) parts.push(`${mAh(run.discharged_Ah)} out`);
    return parts.join(" · ");
  };
  const when = (run, now) => {
    if (run.ends_utc === null) return "";
    const [expected, latest] = run.ends_utc.map(at);
    if (latest - expected < 120e3) return `done at ${clock(latest, now)}`;
    return `done at about ${clock(expected, now)}, at the latest ${clock(latest, now)}`;
  };
  const rows = new Map();
  const rowOf = (run) => {
    const key = `${run.cell}/${run.run}`;
    if (rows.has(key)) return rows.get(key);
    const item = element("li"), who = element("div", "who"), words = element("div", "words"), lane = element("div", "lane");
    const row = {
      item, name: element("h2"), bay: element("p", "bay"), recipe: element("p", "quiet"), sentence: element("p", "sentence"),
      volts: element("span", "volts"), figures: element("span"), when: element("p"), limit: element("p", "quiet"),
      beat: element("p", "quiet"), svg: make("svg", { role: "img", "aria-label": "Voltage and current over time" }),
    };
    who.append(row.bay, row.name, row.recipe, row.beat);
    const now = element("p");
    now.append(row.volts, " ", row.figures);
    words.append(row.sentence, now, row.when, row.limit);
    lane.append(row.svg);
    item.append(who, lane, words);
    rows.set(key, row);
    return row;
  };
  const put = (node, text) => { if (node.textContent !== text) { node.textContent = text; node.hidden = text === ""; } };
  const showHands = (queue, now) => {
    $("hands").hidden = queue === null;
    if (queue === null) return;
    const moments = [...queue.stopped.map(([bay, why]) => [0, `look at bay ${bay}, which has stopped: ${why}`]), ...queue.hands.map((m) => [at(m.at), m.what])];
    put($("hands").querySelector("h2"), moments.length > 0 ? "Hands are needed" : "No hands are needed");
    $("moments").replaceChildren(...moments.map(([when, what]) => {
      const item = element("li", when <= now + 60e3 ? "due" : "");
      item.append(element("span", "", when <= now + 60e3 ? "now" : clock(when, now)), element("span", "", what));
      return item;
    }));
    const more = queue.more > 0 ? `${queue.more} more ${queue.more === 1 ? "moment" : "moments"} later. ` : "";
    const done = queue.done_at === null ? "" : `, done at about ${clock(at(queue.done_at), now)}`;
    put($("bag"), `${more}${queue.cells - queue.left} of ${queue.cells} cells are through${done}.`);
  };
  let shown = null;
  const show = (data) => {
    shown = data;
    const night = nightOf(data);
    put($("clock"), dayClock.format(night.now));
    const one = !data.every && data.runs.length === 1 ? data.runs[0] : null;
    put($("title"), one === null ? "The bench now" : one.cell);
    document.title = one === null ? "The bench now" : `${one.cell} on the bench`;
    const name = (run) => run.bay === null ? run.cell : `Bay ${run.bay}, ${run.cell}`;
    const urgent = data.runs.filter((r) => r.concern === "go").map((r) => `${name(r)}: ${r.sentence}`);
    if (data.queue !== null && data.queue.alarm !== null) urgent.unshift(`Alarm: ${data.queue.alarm}`);
    put($("urgent"), urgent.join("\n"));
    showHands(data.queue, night.now);
    $("urgent").hidden = false;
    const items = data.runs.map((run) => {
      const row = rowOf(run);
      row.item.dataset.concern = run.concern;
      row.item.style.setProperty("--cell", run.colour);
      row.item.className = one === null ? "" : "single";
      put(row.bay, run.bay === null ? "" : `bay ${run.bay}`);
      put(row.name, run.cell);
      put(row.recipe, run.profile + (run.simulated ? " · simulated, no real cell" : ""));
      put(row.sentence, one === null ? run.brief : run.sentence);
      put(row.volts, run.voltage_V === null ? "" : `${run.voltage_V.toFixed(3)} V`);
      put(row.figures, figures(run));
      put(row.when, when(run, night.now));
      put(row.limit, run.nearest_limit === null ? "" : `nearest limit: ${run.nearest_limit.text}`);
      put(row.beat, run.age_s === null ? "" : `last reading ${run.age_s < 5400 ? `${span(run.age_s)} ago` : `${clock(night.now - run.age_s * 1000, night.now)}`}`);
      return row.item;
    });
    const list = $("runs");
    list.className = items.length > 6 ? "many" : "";
    if (items.length !== list.children.length || items.some((item, k) => item !== list.children[k])) list.replaceChildren(...items);
    for (const run of data.runs) draw(rowOf(run).svg, run, night, run.bay === null ? [] : slotsOf(data).filter((slot) => slot.bay === run.bay));
    put($("age"), data.runs.length === 0 ? "No run is at work, and none has ended in the last 16 hours." : "");
    $("story").hidden = one === null || one.events.length === 0;
    if (one !== null) {
      $("events").replaceChildren(...one.events.map(([utc, text]) => element("li", "", `${utc === null ? "" : `${clock(at(utc), night.now)} `}${text}`)));
    }
    return data.runs.length > 0 && data.runs.every((r) => r.state === "ended");
  };
  const look = async () => {
    let finished = false;
    try {
      const answer = await fetch("data", { cache: "no-store" });
      if (!answer.ok) throw new Error(String(answer.status));
      finished = show(await answer.json());
    } catch (problem) {
      if (problem instanceof TypeError || problem instanceof Error) {
        put($("urgent"), "This page lost its connection and cannot say how the runs stand: look at the bench.");
        $("urgent").hidden = false;
      }
    }
    setTimeout(look, finished && !(shown && shown.every) ? 30000 : 2000);
  };
  addEventListener("resize", () => { if (shown !== null) show(shown); });
  look();
})();
