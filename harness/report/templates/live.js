"use strict";
(() => {
  const NS = "http://www.w3.org/2000/svg";
  const put = (id, text) => { document.getElementById(id).textContent = text; };
  const number = (value, digits) => value === null ? "–" : value.toFixed(digits);
  const hours = (s) => {
    if (s === null) return "–";
    const whole = Math.max(0, Math.round(s / 60));
    return `${Math.floor(whole / 60)} h ${String(whole % 60).padStart(2, "0")} min`;
  };
  const clock = (iso) => iso === null ? "–" : new Date(iso).toLocaleString([], { weekday: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const node = (name, attributes, text) => {
    const made = document.createElementNS(NS, name);
    for (const [k, v] of Object.entries(attributes)) made.setAttribute(k, v);
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const steps = (low, high, most) => {
    const rough = (high - low) / most;
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = power * ([1, 2, 5, 10].find((f) => power * f >= rough) ?? 10);
    const out = [];
    for (let v = Math.ceil(low / step) * step; v <= high + step * 1e-9; v += step) out.push(Number(v.toFixed(9)));
    return out;
  };
  const draw = (points) => {
    const svg = document.getElementById("curve");
    svg.replaceChildren();
    const usable = points.filter((p) => p[1] !== null);
    if (usable.length < 2) return;
    const w = 640, h = 300, l = 58, r = 14, t = 34, b = 52;
    const t0 = usable[0][0], t1 = Math.max(usable[usable.length - 1][0], t0 + 1);
    let low = Math.min(...usable.map((p) => p[1])), high = Math.max(...usable.map((p) => p[1]));
    const pad = Math.max((high - low) * 0.08, 0.01);
    low -= pad; high += pad;
    const x = (s) => l + (s - t0) / (t1 - t0) * (w - l - r);
    const y = (v) => t + (high - v) / (high - low) * (h - t - b);
    for (const v of steps(low, high, 5)) {
      svg.append(node("line", { class: "grid", x1: l, x2: w - r, y1: y(v), y2: y(v) }));
      svg.append(node("text", { x: l - 5, y: y(v) + 4, "text-anchor": "end" }, String(v)));
    }
    for (const hour of steps(t0 / 3600, t1 / 3600, 6)) {
      svg.append(node("text", { x: x(hour * 3600), y: h - b + 21, "text-anchor": "middle" }, String(hour)));
    }
    svg.append(node("line", { class: "axis", x1: l, x2: w - r, y1: h - b, y2: h - b }));
    svg.append(node("text", { x: w - r, y: h - 4, "text-anchor": "end" }, "time, h"));
    svg.append(node("text", { x: 0, y: 18 }, "voltage, V"));
    svg.append(node("polyline", { class: "curve", points: usable.map((p) => `${x(p[0]).toFixed(1)},${y(p[1]).toFixed(1)}`).join(" ") }));
    svg.setAttribute("aria-label", `Voltage over time, from ${usable[0][1].toFixed(2)} to ${usable[usable.length - 1][1].toFixed(2)} volt`);
  };
  let lastState = "";
  const show = (d) => {
    put("cell", d.cell); put("run", `${d.profile} · ${d.run}${d.simulated ? " · simulated bench, no real cell" : ""}`);
    const state = document.getElementById("state");
    if (d.state !== lastState) { state.textContent = d.state; lastState = d.state; }
    state.dataset.bad = d.bad ? "yes" : "no";
    put("step", d.step_name === "" ? "–" : d.step_name);
    put("voltage", number(d.voltage_V, 3)); put("current", number(d.current_A, 3));
    put("temperature", number(d.temperature_degC, 1));
    put("charge", d.charge_Ah === null ? "–" : (d.charge_Ah * 1000).toFixed(0));
    put("elapsed", hours(d.t_s)); put("expected", clock(d.expected_utc)); put("latest", clock(d.latest_utc));
    put("age", d.age_s === null ? "no reading yet" : `last reading ${Math.round(d.age_s)} s ago`);
    const list = document.getElementById("events");
    list.replaceChildren(...d.events.map((text) => { const li = document.createElement("li"); li.textContent = text; return li; }));
    draw(d.curve);
    return d.finished;
  };
  const look = async () => {
    let finished = false;
    try {
      const answer = await fetch("data", { cache: "no-store" });
      if (!answer.ok) throw new Error(String(answer.status));
      finished = show(await answer.json());
    } catch {
      const state = document.getElementById("state");
      state.textContent = "this page lost its connection and cannot say how the run stands: look at the bench";
      state.dataset.bad = "yes";
      lastState = state.textContent;
    }
    setTimeout(look, finished ? 30000 : 2000);
  };
  look();
})();
