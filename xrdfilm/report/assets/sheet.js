// Draws the scan of a film's sheet from the data in the page. Nothing is fetched.
"use strict";
(async () => {
  const picture = JSON.parse(document.getElementById("picture").textContent);
  const INK = "#1c1f26", MUTED = "#575c68", GRID = "#e6e2d8";
  const COUNTS = "#5a5f6a", FIT = "#0067b0", BACKGROUND = "#a34700", GHOST = "#7a3b8f";
  const FONT = "11px system-ui, 'Segoe UI', Roboto, 'Liberation Sans', sans-serif";

  // The reverse of pack.py: letters, Rice code, what is foretold, quantum, square root.
  const LETTERS = Array.from({ length: 95 }, (_, i) => String.fromCharCode(32 + i)).filter((c) => !'"&<\\'.includes(c));
  const VALUE = Object.fromEntries(LETTERS.map((letter, i) => [letter, i]));
  const PAIR_BITS = 13, BLOCK = 32, MOST_ONES = 24, WHOLE_BITS = 53;
  const FORETOLD = { last: (a) => a, mean: (a, b) => Math.floor((a + b) / 2), line: (a, b) => 2 * a - b, curve: () => 0 };
  const pairsOf = (letters) => Uint16Array.from({ length: letters.length / 2 }, (_, i) =>
    VALUE[letters[2 * i]] * LETTERS.length + VALUE[letters[2 * i + 1]]);
  const wholes = (packed, count) => {
    const pairs = pairsOf(packed.bits);
    const foretell = FORETOLD[packed.by];
    const found = new Array(count);
    let at = 0, k = 0, last = 0, before = 0;
    const bit = () => {
      const found = (pairs[Math.floor(at / PAIR_BITS)] >> (PAIR_BITS - 1 - at % PAIR_BITS)) & 1;
      at++;
      return found;
    };
    const bits = (many) => {
      let value = 0;
      for (let i = 0; i < many; i++) value = value * 2 + bit();
      return value;
    };
    for (let i = 0; i < count; i++) {
      if (i % BLOCK === 0) k = bits(5);
      let ones = 0;
      while (ones < MOST_ONES && bit()) ones++;
      const z = ones === MOST_ONES ? bits(WHOLE_BITS) : ones * 2 ** k + bits(k);
      const value = foretell(last, before) + (z % 2 ? -(z + 1) / 2 : z / 2);
      found[i] = value;
      [before, last] = [last, value];
    }
    return found;
  };
  const unpack = (packed, near) => {
    if (packed.step !== undefined) {
      return Array.from({ length: packed.n }, (_, i) => packed.start + i * packed.step);
    }
    const { n, every = 1, q = 1, root = false } = packed;
    const values = new Array(n).fill(null);
    const placeOf = (i) => Math.min(i * every, n - 1);
    const runs = packed.runs || [0, Math.ceil((n - 1) / every) + 1]; // first, number, ...
    const all = wholes(packed, runs.reduce((sum, many, i) => sum + (i % 2 ? many : 0), 0));
    let taken = 0;
    for (let run = 0; run < runs.length; run += 2) {
      const first = runs[run];
      let before = 0;
      for (let index = first; index < first + runs[run + 1]; index++) {
        const value = all[taken++] * q;
        const at = placeOf(index);
        if (every > 1 && index > first) { // join the kept points by straight lines
          const start = placeOf(index - 1);
          for (let j = start + 1; j < at; j++) {
            const between = before + (value - before) * (j - start) / (at - start);
            values[j] = root ? Math.sign(between) * between * between : between;
          }
        }
        values[at] = root ? Math.sign(value) * value * value : value;
        before = value;
      }
    }
    return packed.by === "curve" ? values.map((off, i) => off + Math.floor(near[i] + 0.5)) : values;
  };
  // counts are told by how far they lie off the curves through them
  const unpackCurves = (scan) => {
    const none = () => new Array(scan.counts.n).fill(null);
    const fit = scan.fit ? unpack(scan.fit) : none();
    const background = scan.background ? unpack(scan.background) : none();
    const counts = unpack(scan.counts, fit.map((value, i) => value ?? background[i] ?? 0));
    return { counts, fit, background };
  };

  const x = unpack(picture.x);
  const { counts, fit, background } = unpackCurves(picture);
  const sigma = picture.sigma ? unpack(picture.sigma) : null;
  // The marks, and what else is packed in letters: lists and sketches go to their places.
  const inflated = async (element) => {
    const pairs = pairsOf(element.textContent);
    const bytes = Uint8Array.from({ length: Number(element.dataset.bytes) }, (_, i) => {
      const first = Math.floor(8 * i / PAIR_BITS), from = 8 * i % PAIR_BITS;
      const both = pairs[first] * 2 ** PAIR_BITS + (pairs[first + 1] || 0);
      return Math.floor(both / 2 ** (2 * PAIR_BITS - 8 - from)) & 255;
    });
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
    return (await new Response(stream).text()).split("\u001e");
  };
  let told = "{}", parts = [];
  try {
    [told, ...parts] = await inflated(document.getElementById("more"));
  } catch { // browsers before 2023 cannot inflate: the scan is drawn without its marks
    document.getElementById("plot").insertAdjacentHTML("afterend", `<p class="small" role="note">This browser is too old
for the scales of the limits, the marks on the scan and the lists of lines: a newer one and the PDF show them.</p>`);
  }
  document.querySelectorAll("[data-more]").forEach((place, i) => { place.innerHTML = parts[i] || ""; });
  const { ticks = [], ghosts = [], hidden = [], windows = [], sideLabels = [] } = JSON.parse(told);
  ticks.forEach((row) => { row.labels = row.labels.split(","); });
  const zonesOf = (ends) => ends.flatMap((low, i) => (i % 2 ? [] : [[low, ends[i + 1]]]));
  const residual = x.map((_, i) => fit[i] === null || counts[i] === null ? null
    : (counts[i] - fit[i]) / (sigma ? sigma[i] || 1 : Math.sqrt(Math.max(fit[i], 1))));
  const whole = [x[0], x[x.length - 1]];
  const positive = counts.filter((c) => c > 0);
  const floor = positive.length ? Math.max(Math.min(...positive.slice(0, 5e4)) / 2, 1e-9) : 0.5;

  const host = document.getElementById("plot");
  // What only serves the drawing is made here, so that pages without script do not show it.
  const button = (name, label, sign) =>
    `<button type="button" data-view="${name}"${label ? ` aria-label="${label}"` : ""}>${sign}</button>`;
  const key = (shape, word) => `<span><i class="${shape}"></i>${word}</span>`;
  host.insertAdjacentHTML("beforebegin", `
<div class="tools screen" role="group" aria-label="Scan view" id="tools">
<button type="button" id="log" aria-pressed="true">Logarithmic</button>
${button("in", "Zoom in", "+")}${button("out", "Zoom out", "−")}${button("left", "Move left", "◂")}${button("right", "Move right", "▸")}${button("all", "", "Whole scan")}
<label>Go to <select id="goto"><option value="">a line …</option></select></label>
<output id="readout"></output>
</div>
<p class="small legend" aria-hidden="true">${key("ln ln-counts", "counts")}${picture.fit ? key("ln ln-fit", "fit") : ""}${picture.background ? key("ln ln-background", "background") : ""}${ghosts.length ? key("ghost-key", "ghost") : ""}${hidden.length ? key("hidden-key", "hidden") : ""}</p>`);
  const readout = document.getElementById("readout");
  const narrow = () => host.clientWidth < 560;
  const longest = Math.max(0, ...ticks.map((row) => row.phase.length));
  const axisSize = () => (narrow() // wide enough for the names of the phases
    ? Math.min(90, Math.max(46, 9 + 5.8 * longest)) : Math.min(130, Math.max(62, 12 + 7 * longest)));
  let logarithmic = true;
  let view = whole.slice();
  let charts = [];
  let moving = false;
  let paper = false;

  const clip = (u) => {
    u.ctx.save();
    u.ctx.beginPath();
    u.ctx.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
    u.ctx.clip();
  };
  const ratio = (u) => u.ctx.canvas.width / u.width;

  const drawHidden = (u) => {
    const { ctx, bbox } = u;
    const r = ratio(u);
    for (const [low, high] of zonesOf(hidden)) {
      const a = u.valToPos(low, "x", true), b = u.valToPos(high, "x", true);
      if (b < bbox.left || a > bbox.left + bbox.width) continue;
      clip(u);
      ctx.beginPath();
      ctx.rect(a, bbox.top, b - a, bbox.height);
      ctx.clip();
      ctx.strokeStyle = "#c9c4b8";
      ctx.lineWidth = r;
      ctx.beginPath();
      for (let s = a - bbox.height; s < b; s += 6 * r) {
        ctx.moveTo(s, bbox.top + bbox.height);
        ctx.lineTo(s + bbox.height, bbox.top);
      }
      ctx.stroke();
      ctx.restore();
    }
  };

  const drawGhosts = (u) => {
    const { ctx, bbox } = u;
    const r = ratio(u);
    const half = (narrow() ? 3 : 5) * r;
    clip(u);
    ctx.fillStyle = GHOST;
    ctx.strokeStyle = GHOST;
    ctx.lineWidth = r;
    for (const place of ghosts) {
      const at = u.valToPos(place, "x", true);
      ctx.globalAlpha = 0.55;
      ctx.setLineDash([r, 4 * r]);
      ctx.beginPath();
      ctx.moveTo(at, bbox.top + 2 * half);
      ctx.lineTo(at, bbox.top + bbox.height);
      ctx.stroke();
      ctx.setLineDash([]);
      ctx.globalAlpha = 1;
      ctx.beginPath();
      ctx.moveTo(at - half, bbox.top);
      ctx.lineTo(at + half, bbox.top);
      ctx.lineTo(at, bbox.top + 1.6 * half);
      ctx.fill();
    }
    ctx.restore();
  };

  const drawWindows = (u) => {
    const { ctx, bbox } = u;
    const r = ratio(u);
    clip(u);
    ctx.fillStyle = FIT;
    for (const [low, high] of zonesOf(windows)) {
      const a = u.valToPos(low, "x", true), b = u.valToPos(high, "x", true);
      ctx.fillRect(a, bbox.top + bbox.height - 3 * r, b - a, 3 * r);
    }
    ctx.restore();
  };

  const drawTicks = (u) => {
    const { ctx, bbox } = u;
    const r = ratio(u);
    const rowHeight = bbox.height / ticks.length;
    ctx.save();
    ctx.font = `${10 * r}px system-ui, sans-serif`;
    ctx.textBaseline = "middle";
    ctx.textAlign = "left";
    ticks.forEach((row, i) => {
      const middle = bbox.top + (i + 0.5) * rowHeight;
      ctx.fillStyle = MUTED;
      ctx.strokeStyle = INK;
      ctx.lineWidth = 1.2 * r;
      let last = -1e9;
      row.at.forEach((place, j) => {
        const at = u.valToPos(place, "x", true);
        if (at < bbox.left || at > bbox.left + bbox.width) return;
        ctx.beginPath();
        ctx.moveTo(at, middle - 0.32 * rowHeight);
        ctx.lineTo(at, middle + 0.32 * rowHeight);
        ctx.stroke();
        const width = ctx.measureText(row.labels[j]).width + 6 * r;
        const next = j + 1 < row.at.length ? u.valToPos(row.at[j + 1], "x", true) : 1e9;
        if (at - last > 4 * r && next - at > width + 2 * r && at + width < bbox.left + bbox.width) {
          ctx.fillText(row.labels[j], at + 3 * r, middle);
          last = at + width;
        }
      });
    });
    ctx.restore();
  };

  const follow = (u) => { // the other charts take the same stretch of the axis
    if (moving) return;
    const { min, max } = u.scales.x;
    if (min === null) return;
    moving = true;
    view = [min, max];
    charts.forEach((other) => { if (other !== u) other.setScale("x", { min, max }); });
    moving = false;
  };

  const xAxis = (shown, label) => ({
    show: shown, label: shown ? label : undefined, labelSize: 18, size: 28, labelFont: FONT, font: FONT,
    stroke: MUTED, grid: { stroke: GRID, width: 1 }, ticks: { stroke: GRID, size: 4 },
  });
  const yAxis = (extra) => Object.assign({
    size: axisSize(), font: FONT, stroke: MUTED, grid: { stroke: GRID, width: 1 },
    ticks: { stroke: GRID, size: 4 }, gap: 4,
  }, extra);
  const cursor = {
    sync: { key: "sheet", setSeries: false }, drag: { x: true, y: false, setScale: true, dist: 4 },
    points: { show: false }, y: false,
  };
  const compact = (value) => {
    if (value >= 1e6) return `${value / 1e6}M`;
    return value >= 1e4 ? `${value / 1e3}k` : String(value);
  };

  const drawn = (values) => logarithmic ? values.map((v) => (v === null ? null : Math.max(v, floor))) : values;

  const build = () => {
    charts.forEach((chart) => chart.destroy());
    host.replaceChildren();
    const width = host.clientWidth;
    const common = { width, legend: { show: false }, cursor, padding: [10, 8, 7, 0], pxAlign: 1 };
    const hooks = { setScale: [(u, key) => { if (key === "x") follow(u); }] };
    const dots = x.length / width < 3;
    const main = new uPlot({
      ...common, height: paper ? 160 : narrow() ? 240 : 300,
      scales: { x: { time: false, min: view[0], max: view[1] }, y: logarithmic ? { distr: 3, log: 10 } : {} },
      axes: [xAxis(false), yAxis({ label: undefined,
        values: (u, ticks) => ticks.map((v) => (v === null ? "" : compact(v))) })],
      series: [{}, { stroke: COUNTS, width: 1, points: { show: dots, size: 3, fill: COUNTS, width: 0 } },
        { stroke: BACKGROUND, width: 1.3, dash: [6, 4], points: { show: false } },
        { stroke: FIT, width: 1.7, spanGaps: false, points: { show: false } }],
      hooks: { ...hooks, drawClear: [drawHidden], draw: [drawGhosts, drawWindows],
        setCursor: [(u) => {
          const i = u.cursor.idx;
          readout.textContent = i === null || i === undefined ? ""
            : `2θ ${x[i].toFixed(3)}°, ${Math.round(counts[i] * 10) / 10} counts` +
              (fit[i] === null ? "" : `, fit ${fit[i].toFixed(1)}`);
        }] },
    }, [x, drawn(counts), drawn(background), drawn(fit)], host);
    charts = [main];
    const limit = Math.min(10, Math.max(4, ...residual.filter((v) => v !== null).map(Math.abs)));
    if (picture.fit) {
      charts.push(new uPlot({
        ...common, height: paper ? 52 : 84, padding: [6, 8, 0, 0],
        scales: { x: { time: false, min: view[0], max: view[1] }, y: { range: [-limit, limit] } },
        axes: [xAxis(false), yAxis({ splits: () => [-3, 0, 3], values: (u, v) => v.map((t) => t === 0 ? "0" : t > 0 ? "+3σ" : "−3σ") })],
        series: [{}, { stroke: INK, width: 1, paths: () => null, points: { show: true, size: 2.2, fill: INK, width: 0 } }],
        hooks,
      }, [x, residual], host));
    }
    const rows = Math.max(1, ticks.length);
    charts.push(new uPlot({
      ...common, height: (paper ? 10 : 14) * rows + 50, padding: [4, 8, 0, 0],
      scales: { x: { time: false, min: view[0], max: view[1] }, y: { range: [0, rows] } },
      axes: [xAxis(true, "2θ / °"), yAxis({
        splits: () => ticks.map((_, i) => rows - i - 0.5),
        values: () => ticks.map((row) => row.phase), grid: { show: false }, ticks: { show: false }, stroke: INK,
        font: narrow() ? "9px system-ui, sans-serif" : FONT,
      })],
      series: [{}, { show: false }],
      hooks: { ...hooks, draw: [drawTicks] },
    }, [x, x.map(() => null)], host));
    // charts take their size a moment later; the page must know it now, to be fitted to paper
    host.style.minHeight = `${charts.reduce((sum, chart) => sum + chart.height, 0)}px`;
  };

  const goTo = (low, high) => {
    const width = Math.min(high - low, whole[1] - whole[0]);
    const start = Math.min(Math.max(low, whole[0]), whole[1] - width);
    charts[0].setScale("x", { min: start, max: start + width });
  };
  const moves = {
    in: (m, w) => goTo(m - w / 4, m + w / 4), out: (m, w) => goTo(m - w, m + w),
    left: (m, w) => goTo(m - 0.8 * w, m + 0.2 * w), right: (m, w) => goTo(m - 0.2 * w, m + 0.8 * w),
    all: () => goTo(...whole),
  };
  for (const button of document.querySelectorAll("[data-view]")) {
    button.addEventListener("click", () => {
      moves[button.dataset.view]((view[0] + view[1]) / 2, view[1] - view[0]);
    });
  }
  const log = document.getElementById("log");
  log.addEventListener("click", () => {
    logarithmic = !logarithmic;
    log.setAttribute("aria-pressed", String(logarithmic));
    build();
  });
  const chooser = document.getElementById("goto");
  for (const row of ticks) {
    const group = document.createElement("optgroup");
    group.label = row.phase;
    row.at.forEach((place, i) => {
      if (place < whole[0] || place > whole[1]) return;
      group.append(new Option(`${row.phase} (${row.labels[i]}) ${place.toFixed(2)}°`, place));
    });
    if (group.children.length) chooser.append(group);
  }
  chooser.addEventListener("change", () => {
    if (chooser.value !== "") goTo(Number(chooser.value) - 1, Number(chooser.value) + 1);
  });

  const sides = Array.from(document.querySelectorAll(".side-plot"));
  let sideCharts = [];
  const sideHeight = () => (paper ? 84 : 165);
  const buildSides = () => {
    sideCharts.forEach((chart) => chart.destroy());
    sideCharts = sides.map((box, i) => {
      const side = picture.side[i];
      const axis = unpack(side.x);
      const curves = unpackCurves(side);
      box.style.minHeight = `${sideHeight()}px`;
      return new uPlot({
        width: box.clientWidth, height: sideHeight(), legend: { show: false }, padding: [8, 8, 0, 0],
        cursor: { drag: { x: true, y: false }, points: { show: false } },
        scales: { x: { time: false } },
        axes: [xAxis(true, sideLabels[i]), yAxis({ size: 50, values: (u, t) => t.map(compact) })],
        series: [{}, { stroke: COUNTS, width: 0, paths: () => null, points: { show: true, size: 3, fill: COUNTS, width: 0 } },
          { stroke: FIT, width: 1.7, points: { show: false } }],
      }, [axis, curves.counts, curves.fit], box);
    });
  };

  let widthDrawn = 0;
  const rebuild = () => {
    if (Math.abs(host.clientWidth - widthDrawn) < 2) return;
    widthDrawn = host.clientWidth;
    build();
    buildSides();
  };
  new ResizeObserver(() => requestAnimationFrame(rebuild)).observe(host);
  rebuild();

  // On paper a film takes one page: the print style sheet is tried on the screen, out of sight,
  // and the zoom taken down until all fits. The numbers are A4 less the margins, in CSS pixels.
  const PAPER_WIDTH = 700, PAPER_HEIGHT = 1028;
  const printSheet = document.getElementById("paper");
  const root = document.documentElement.style;
  const tryZoom = (zoom) => {
    const width = Math.floor(PAPER_WIDTH / zoom);
    document.body.style.width = `${width}px`;
    host.style.width = `${width - 4}px`;
    sides.forEach((box) => { box.style.width = `${Math.floor(width / 3 - 30)}px`; });
    widthDrawn = 0;
    rebuild();
    return document.body.offsetHeight * zoom <= PAPER_HEIGHT;
  };
  addEventListener("beforeprint", () => {
    paper = true;
    document.querySelectorAll("details.left-out").forEach((part) => { part.open = true; });
    root.setProperty("--paper-zoom", "1");
    printSheet.media = "all";
    const zoom = [0.62, 0.59, 0.56, 0.53, 0.5, 0.47].find(tryZoom) || 0.47;
    printSheet.media = "print";
    document.body.style.width = "";
    root.setProperty("--paper-zoom", String(zoom));
  });
  addEventListener("afterprint", () => {
    paper = false;
    document.querySelectorAll("details.left-out").forEach((part) => { part.open = false; });
    host.style.width = "";
    sides.forEach((box) => { box.style.width = ""; });
    widthDrawn = 0;
    rebuild();
  });
  // On narrow screens rows and cells are laid out as blocks; to readers they stay a table.
  const roles = { TABLE: "table", THEAD: "rowgroup", TBODY: "rowgroup", TR: "row", TD: "cell" };
  document.querySelectorAll("table.limits, table.limits :is(thead, tbody, tr, th, td)").forEach((part) => {
    part.setAttribute("role", roles[part.tagName] || (part.scope === "row" ? "rowheader" : "columnheader"));
  });
  document.documentElement.dataset.drawn = "yes";
  window.xrdfilmSheet = { view: () => view.slice(), counts: () => counts.slice(), fit: () => fit.slice(), background: () => background.slice(), x: () => x.slice(), charts: () => charts.length };
  document.dispatchEvent(new Event("xrdfilm-drawn"));
})();
