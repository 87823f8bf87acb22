// Draws films over one another, each a decade above the last, or one below the other.
"use strict";
(async () => {
  const host = document.getElementById("compare");
  if (!host) return;
  const MUTED = "#575c68", GRID = "#e6e2d8";
  const FONT = "11px system-ui, 'Segoe UI', Roboto, 'Liberation Sans', sans-serif";
  const COLOURS = ["#00558f", "#9c2b00", "#00614a", "#7a3b8f", "#674c00", "#1c1f26",
    "#0091c2", "#d06a3a", "#4a9b7f", "#b07cc0", "#b08a1e", "#7b808c"];
  const how = host.dataset.how, count = Number(host.dataset.count);
  const addresses = Array.from({ length: count }, (_, i) => host.getAttribute(`data-points-${i}`));
  let films;
  try {
    films = await Promise.all(addresses.map(async (address) => (await fetch(address)).json()));
  } catch {
    host.textContent = "The scans could not be fetched.";
    return;
  }
  const readout = document.getElementById("readout"), linear = document.getElementById("linear");
  const ends = [Math.min(...films.map((f) => f.axis[0])), Math.max(...films.map((f) => f.axis[f.axis.length - 1]))];
  const floorOf = (counts) => Math.max(Math.min(...counts.filter((c) => c > 0)) / 2, 0.1);
  const lifted = (film, k) => {
    if (linear.checked && how === "offset") {
      const step = (1 / 7) * Math.max(...films.map((f) => Math.max(...f.counts)));
      return film.counts.map((c) => c + k * step);
    }
    const factor = how === "offset" ? 10 ** k : 1;
    const floor = floorOf(film.counts);
    return film.counts.map((c) => (linear.checked ? c : Math.max(c, floor)) * factor);
  };
  let charts = [], moving = false, view = ends.slice();
  const compact = (v) => (v === null ? "" : v >= 1e6 ? `${v.toExponential(0).replace("e+", "e")}` : v >= 1e4 ? `${v / 1e3}k` : String(v));
  const decades = (u, splits) => (linear.checked ? splits
    : splits.map((v) => (Math.abs(Math.log10(v) - Math.round(Math.log10(v))) < 1e-9 ? v : null)));
  const follow = (u) => {
    if (moving || u.scales.x.min === null) return;
    moving = true;
    view = [u.scales.x.min, u.scales.x.max];
    charts.forEach((other) => { if (other !== u) other.setScale("x", { min: view[0], max: view[1] }); });
    moving = false;
  };
  const chart = (members, height, last) => {
    const tables = members.map((k) => [films[k].axis, lifted(films[k], how === "offset" ? k : 0)]);
    const data = uPlot.join(tables);
    return new uPlot({
      width: host.clientWidth, height, legend: { show: false }, padding: [9, 8, last ? 0 : 9, 0],
      cursor: { drag: { x: true, y: false, dist: 4 }, points: { show: false }, y: false, sync: { key: "compare" } },
      scales: { x: { time: false, min: view[0], max: view[1] }, y: linear.checked ? {} : { distr: 3, log: 10 } },
      axes: [
        { show: last, label: last ? "2θ / °" : undefined, labelSize: 18, size: 28, labelFont: FONT, font: FONT, stroke: MUTED, grid: { stroke: GRID, width: 1 }, ticks: { stroke: GRID, size: 4 } },
        { size: 58, space: how === "stack" ? 18 : 30, filter: decades, font: FONT, stroke: MUTED, grid: { stroke: GRID, width: 1, filter: decades }, ticks: { stroke: GRID, size: 4, filter: decades }, values: (u, t) => t.map(compact) },
      ],
      series: [{}, ...members.map((k) => ({ stroke: COLOURS[k % 12], width: 1.2, spanGaps: true, points: { show: false } }))],
      hooks: {
        setScale: [(u, key) => { if (key === "x") follow(u); }],
        setCursor: [(u) => {
          const i = u.cursor.idx;
          readout.textContent = i === null || i === undefined ? "" : `2θ ${u.data[0][i].toFixed(3)}°`;
        }],
      },
    }, data, host);
  };
  const build = () => {
    charts.forEach((c) => c.destroy());
    host.replaceChildren();
    charts = how === "stack"
      ? films.map((_, k) => chart([k], Math.max(96, Math.min(170, 620 / count)) + (k === count - 1 ? 32 : 0), k === count - 1))
      : [chart(films.map((_, k) => k), 480, true)];
    host.dataset.drawn = String(charts.length);
  };
  document.getElementById("whole").addEventListener("click", () => charts[0].setScale("x", { min: ends[0], max: ends[1] }));
  const step = { in: [0.25, -0.25], out: [-0.5, 0.5], left: [-0.4, -0.4], right: [0.4, 0.4] };
  document.querySelectorAll("[data-view]").forEach((button) => button.addEventListener("click", () => {
    const [low, high] = view, span = high - low, [a, b] = step[button.dataset.view];
    const min = Math.max(ends[0], Math.min(low + a * span, ends[1] - 0.2)), max = Math.min(ends[1], Math.max(high + b * span, min + 0.2));
    charts[0].setScale("x", { min, max });
  }));
  linear.addEventListener("change", build);
  let width = 0;
  new ResizeObserver(() => requestAnimationFrame(() => {
    if (Math.abs(host.clientWidth - width) < 2) return;
    width = host.clientWidth;
    build();
  })).observe(host);
})();
