"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const NS = "http://www.w3.org/2000/svg";
  const body = document.querySelector("tbody");
  const rows = [...body.rows];
  const heads = [...document.querySelectorAll("thead th")];
  const status = document.getElementById("status");
  const find = document.getElementById("find");
  const choices = [...document.querySelectorAll("select")];

  const key = (row, column) => {
    const value = row.cells[column].dataset.v;
    if (value === undefined || value === "") return null;
    return heads[column].classList.contains("n") ? Number(value) : value.toLocaleLowerCase();
  };
  heads.forEach((head, column) => {
    const button = head.querySelector("button");
    if (!button) return;
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      rows.map((row) => [row, key(row, column)]).sort((a, b) => {
        if (a[1] === null || b[1] === null) return (a[1] === null) - (b[1] === null);  // unknown stays last
        const order = typeof a[1] === "number" ? a[1] - b[1] : a[1].localeCompare(b[1], undefined, { numeric: true });
        return up ? order : -order;
      }).forEach(([row]) => body.append(row));
      status.textContent = `Sorted by ${button.textContent}, ${up ? "rising" : "falling"}.`;
    });
  });

  const filter = () => {
    const words = find.value.toLocaleLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of rows) {
      const text = [...row.cells].map((cell) => cell.textContent).join(" ").toLocaleLowerCase();  // no word runs into the next cell
      const fits = words.every((word) => text.includes(word))
        && choices.every((choice) => choice.value === "" || row.dataset[choice.dataset.key] === choice.value);
      row.hidden = !fits;
      shown += fits ? 1 : 0;
    }
    status.textContent = `${shown} of ${rows.length} shown.`;
  };
  find.addEventListener("input", filter);
  choices.forEach((choice) => choice.addEventListener("change", filter));

  // curves
  const svg = document.getElementById("curves");
  if (!svg) return;
  const slider = document.getElementById("at");
  const readout = document.getElementById("readout");
  const { width, height, left, right, top, bottom } = data.frame;
  const plot = svg.querySelector("#lines");
  const cursor = svg.querySelector(".cursor");
  const looks = data.looks;
  const boxes = [...document.querySelectorAll("td input[type=checkbox]")];
  const make = (name, attributes) => {
    const node = document.createElementNS(NS, name);
    for (const [k, v] of Object.entries(attributes)) node.setAttribute(k, v);
    return node;
  };
  const x = (q) => left + (q / data.most_mAh) * (width - left - right);
  const y = (v) => top + ((data.high_V - v) / (data.high_V - data.low_V)) * (height - top - bottom);
  let chosen = [];
  const draw = () => {
    plot.replaceChildren();
    chosen = boxes.filter((box) => box.checked).map((box) => Number(box.value));
    chosen.forEach((index) => {
      const look = looks[data.curves[index].look];
      const points = data.curves[index].points.map(([q, v]) => `${x(q).toFixed(1)},${y(v).toFixed(1)}`).join(" ");
      plot.append(make("polyline", { class: "curve", points, stroke: look[0], "stroke-dasharray": look[1] }));
      plot.append(make("path", { d: data.marks[look[2]], fill: look[0], transform: `translate(${points.split(" ").pop()})` }));
    });
    read(Number(slider.value));
  };
  const at = (points, q) => {
    if (!points.length || q < points[0][0] || q > points[points.length - 1][0]) return null;
    let low = 0, high = points.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (points[middle][0] <= q) low = middle; else high = middle;
    }
    const [q0, v0] = points[low], [q1, v1] = points[high];
    return q1 === q0 ? v1 : v0 + (v1 - v0) * (q - q0) / (q1 - q0);
  };
  const read = (q) => {
    cursor.setAttribute("x1", x(q));
    cursor.setAttribute("x2", x(q));
    slider.setAttribute("aria-valuetext", `${Math.round(q)} milliampere-hours given`);
    readout.replaceChildren();
    const first = document.createElement("li");
    first.textContent = `after ${Math.round(q)} mAh:`;
    readout.append(first);
    chosen.forEach((index) => {
      const look = looks[data.curves[index].look];
      const line = make("svg", { viewBox: "0 0 30 10", "aria-hidden": "true" });
      line.append(make("line", { x1: 0, x2: 30, y1: 5, y2: 5, stroke: look[0], "stroke-width": 2.5, "stroke-dasharray": look[1] }));
      line.append(make("path", { d: data.marks[look[2]], fill: look[0], transform: "translate(15,5)" }));
      const v = at(data.curves[index].points, q);
      const item = document.createElement("li");
      item.append(line, document.createTextNode(`${data.curves[index].name} ${v === null ? "–" : v.toFixed(3) + " V"}`));
      readout.append(item);
    });
  };
  svg.addEventListener("pointermove", (event) => {
    const box = svg.getBoundingClientRect();
    const px = (event.clientX - box.left) / box.width * width;
    const q = (px - left) / (width - left - right) * data.most_mAh;
    slider.value = Math.min(data.most_mAh, Math.max(0, q));
    read(Number(slider.value));
  });
  slider.addEventListener("input", () => read(Number(slider.value)));
  boxes.forEach((box) => box.addEventListener("change", draw));
  draw();
})();
