"use strict";
(() => {
  const NS = "http://www.w3.org/2000/svg";
  const $ = (id) => document.getElementById(id);
  const dayClock = new Intl.DateTimeFormat([], { weekday: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const hourClock = new Intl.DateTimeFormat([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
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

  // One clock for all rows: from the first beginning to the last expected end, never less than an hour.
  const nightOf = (data) => {
    const now = at(data.now_utc);
    const from = Math.min(...data.runs.map((r) => r.began_utc === null ? now : at(r.began_utc)), now - 1800e3);
    const ends = data.runs.flatMap((r) => r.ends_utc === null ? [] : [at(r.ends_utc[0])]);
    return { now, from, to: Math.max(now + 600e3, from + 3600e3, ...ends.map((e) => e + 0.04 * (e - from))) };
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
  const draw = (svg, run, night) => {
    const width = Math.max(svg.clientWidth, 200), height = Math.max(svg.clientHeight, 80);
    const em = parseFloat(getComputedStyle(document.documentElement).fontSize);
    const left = 3.6 * em, top = 0.5 * em, foot = height - 1.5 * em;
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const parts = pieces(run.curve);
    const x = (ms) => left + (ms - night.from) / (night.to - night.from) * (width - left - 4);
    const items = [];
    for (const hour of hoursIn(night, width - left)) {
      items.push(make("line", { class: "hour", x1: x(hour), x2: x(hour), y1: top, y2: foot }));
      if (x(hour) < width - 1.2 * em) items.push(make("text", { x: x(hour), y: height - 0.3 * em, "text-anchor": "middle" }, hourClock.format(hour)));
    }
    items.push(make("line", { class: "floor", x1: left, x2: width, y1: foot, y2: foot }));
    let said = "no reading yet";
    if (parts.length > 0 && run.began_utc !== null) {
      const zero = at(run.began_utc);
      let low = Infinity, high = -Infinity;
      for (const p of parts.flat()) { low = Math.min(low, p[1]); high = Math.max(high, p[2]); }
      const pad = Math.max(0.04 * (high - low), 0.005);
      const y = (v) => top + (high + pad - v) / (high - low + 2 * pad) * (foot - top);
      parts.forEach((piece, k) => {
        const put = (p, v) => `${x(zero + p[0] * 1000).toFixed(1)},${y(v).toFixed(1)}`;
        const upper = piece.map((p) => put(p, p[2])), lower = piece.map((p) => put(p, p[1])).reverse();
        items.push(make("path", { class: "trace", d: `M${upper.join("L")}L${lower.join("L")}Z` }));
        if (k === 0) return;
        const before = parts[k - 1][parts[k - 1].length - 1];
        const x1 = x(zero + before[0] * 1000), x2 = x(zero + piece[0][0] * 1000), middle = (top + foot) / 2;
        items.push(make("path", { class: "blind", d: `M${x1},${middle}H${x2}` }));
        if (x2 - x1 > 5 * em) items.push(make("text", { x: (x1 + x2) / 2, y: middle - 0.4 * em, "text-anchor": "middle" }, "no reading"));
      });
      items.push(make("text", { x: left - 0.3 * em, y: y(high) + 0.5 * em, "text-anchor": "end" }, `${high.toFixed(2)} V`));
      if (y(low) - y(high) > 1.6 * em) items.push(make("text", { x: left - 0.3 * em, y: y(low), "text-anchor": "end" }, `${low.toFixed(2)} V`));
      const gaps = parts.length - 1;
      said = `between ${low.toFixed(2)} and ${high.toFixed(2)} volt since ${dayClock.format(zero)}${gaps ? `, ${gaps} ${gaps === 1 ? "gap" : "gaps"} without readings` : ""}`;
    }
    if (run.ends_utc !== null) {
      const end = at(run.ends_utc[0]);
      items.push(make("path", { class: "ahead", d: `M${x(night.now)},${foot - 0.35 * em}H${Math.min(x(end), width - 2)}` }));
      items.push(make("line", { class: "end", x1: x(end), x2: x(end), y1: foot - 1.2 * em, y2: foot }));
      if (x(end) - x(night.now) > 4 * em) items.push(make("text", { x: x(end) - 0.3 * em, y: foot - 0.7 * em, "text-anchor": "end" }, "done"));
    }
    items.push(make("line", { class: "now", x1: x(night.now), x2: x(night.now), y1: top, y2: foot }));
    svg.replaceChildren(...items);
    svg.setAttribute("aria-label", `Voltage of ${run.cell} over time: ${said}`);
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
      beat: element("p", "quiet"), svg: make("svg", { role: "img", "aria-label": "Voltage over time" }),
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
  let shown = null;
  const show = (data) => {
    shown = data;
    const night = nightOf(data);
    put($("clock"), dayClock.format(night.now));
    const one = !data.every && data.runs.length === 1 ? data.runs[0] : null;
    put($("title"), one === null ? "The bench now" : one.cell);
    document.title = one === null ? "The bench now" : `${one.cell} on the bench`;
    const name = (run) => run.bay === null ? run.cell : `Bay ${run.bay}, ${run.cell}`;
    put($("urgent"), data.runs.filter((r) => r.concern === "go").map((r) => `${name(r)}: ${r.sentence}`).join("\n"));
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
    if (items.length !== list.children.length || items.some((item, k) => item !== list.children[k])) list.replaceChildren(...items);
    for (const run of data.runs) draw(rowOf(run).svg, run, night);
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
