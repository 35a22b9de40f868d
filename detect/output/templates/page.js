"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const root = document.documentElement;
  const charts = [...document.querySelectorAll(".chart")];
  const drawn = new Set();
  const config = { displayModeBar: false, responsive: false, displaylogo: false, doubleClick: "reset+autosize" };
  const MOST_POINTS = 3000; // above this the tape map shows counts: single marks would cover each other
  const PRINT_WIDTH = 640;
  const PRINT_HEIGHT = 0.8; // of the height on a screen, so that a sheet holds two charts and more
  const MOST_PRINTED_ROWS = 40; // longer tables stay off the paper
  const NARROW = 560; // below this the small charts have no room for figures

  /* ---- colours from the style sheet, so that light, dark and print agree ---- */
  const colour = (name) => getComputedStyle(root).getPropertyValue(name).trim();
  const resolved = (value) => {
    if (typeof value === "string") return value.startsWith("var(") ? colour(value.slice(4, -1)) : value;
    if (Array.isArray(value)) return value.map(resolved);
    if (value && typeof value === "object" && !ArrayBuffer.isView(value))
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, k === "bdata" ? v : resolved(v)]));
    return value;
  };
  const dressed = (layout, height, width) => {
    const out = { ...layout, height, width, autosize: false, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", hovermode: layout.hovermode || "closest",
      dragmode: layout.dragmode || "zoom", uirevision: "same", font: { family: colour("--sans"), size: 13, color: colour("--ink") },
      hoverlabel: { bgcolor: colour("--sheet"), bordercolor: colour("--ink-soft"), font: { color: colour("--ink"), family: colour("--sans"), size: 13 }, align: "left" } };
    for (const key of Object.keys(out))
      if (/^[xy]axis\d*$/.test(key))
        out[key] = { ticks: "outside", ticklen: 4, gridcolor: colour("--rule"), linecolor: colour("--ink-soft"), zerolinecolor: colour("--ink-soft"), tickcolor: colour("--ink-soft"), zerolinewidth: 1, ...out[key] };
    for (const key of Object.keys(out)) if (/^[xy]axis\d*$/.test(key) && out[key].title) out[key].title = { font: { size: 13 }, ...out[key].title };
    return resolved(out);
  };

  /* ---- packed columns ---- */
  const TYPES = { f4: Float32Array, f8: Float64Array, i4: Int32Array, u1: Uint8Array };
  const unpacked = (column) => {
    const bytes = Uint8Array.from(atob(column.bdata), (c) => c.charCodeAt(0));
    return new TYPES[column.dtype](bytes.buffer);
  };

  const grouped = (count) => String(count).replace(/\B(?=(\d{3})+$)/g, "\u2009");

  /* ---- a figure followed over time ---- */
  const series = data.series;
  const chooser = document.getElementById("series");
  if (chooser) series.figures.forEach((figure, i) => chooser.add(new Option(`${figure.title}, ${figure.unit}`, i, i === series.first, i === series.first)));
  let seriesX = null;
  const seriesFigure = () => {
    const figure = series.figures[chooser ? +chooser.value : 0];
    seriesX = seriesX || unpacked(series.x);
    const traces = [];
    figure.columns.forEach((column, i) => {
      const y = unpacked(column.y), sigma = unpacked(column.sigma);
      const head = column.name ? `var(--head-${column.name.toLowerCase()})` : "var(--accent)";
      if (!column.name) {
        traces.push({ type: "scatter", mode: "lines", x: seriesX, y: y.map((v, k) => v + sigma[k]), line: { width: 0, color: head, shape: "hv" }, hoverinfo: "skip", showlegend: false, connectgaps: false });
        traces.push({ type: "scatter", mode: "lines", x: seriesX, y: y.map((v, k) => v - sigma[k]), line: { width: 0, color: head, shape: "hv" }, fill: "tonexty", fillcolor: "var(--loss-fill)", hoverinfo: "skip", showlegend: false });
      }
      traces.push({ type: "scatter", mode: "lines", x: seriesX, y, customdata: sigma, name: column.name ? `head ${column.name}` : figure.title, showlegend: !!column.name,
        line: { color: head, width: 1.6, shape: "hv", dash: ["solid", "dash", "dot", "dashdot"][column.name ? i : 0] },
        hovertemplate: `%{x|%H:%M:%S}<br>%{y:.2f} ± %{customdata:.2f} ${figure.unit}<extra>${column.name}</extra>` });
    });
    const shapes = figure.limit === null ? [] : [-figure.limit, figure.limit].map((y) => ({ type: "line", layer: "below", xref: "paper", x0: 0, x1: 1, y0: y, y1: y, line: { color: "var(--act)", width: 1, dash: "dash" } }));
    const yaxis = { title: { text: figure.unit }, automargin: true, fixedrange: true };
    if (figure.limit !== null) {
      let low = -1.12 * figure.limit, high = 1.12 * figure.limit;
      for (const trace of traces) for (const y of trace.y) if (y < low || y > high) { low = Math.min(low, 1.06 * y); high = Math.max(high, 1.06 * y); }
      yaxis.range = [low, high];
    }
    return { data: traces, height: 290, layout: { shapes, xaxis: { type: "date", tickformat: "%H:%M:%S", range: timeRange || series.range, nticks: 9 }, yaxis,
      legend: { orientation: "h", y: 1.02, yanchor: "bottom", x: 0 }, margin: { l: 10, r: 12, t: 28, b: 30 } } };
  };

  /* ---- the tape map: counts from afar, single losses when near ---- */
  let tape = null;
  const tapeState = document.getElementById("tape-state");
  const unpackTape = () => {
    tape = { kinds: data.tape.kinds };
    for (const key of ["along", "across", "frame", "line", "us", "kind", "head"]) tape[key] = unpacked(data.tape[key]);
    tape.outlines = { x: unpacked(data.tape.outlines.x), y: unpacked(data.tape.outlines.y) };
  };
  let tapeView = null; // null: the whole tape; else {x: [from, to], y: [from, to]}
  const tapeFigure = () => {
    if (!tape) unpackTape();
    const inside = [];
    const [x0, x1] = tapeView ? tapeView.x : [-Infinity, Infinity], [y0, y1] = tapeView ? tapeView.y : [-Infinity, Infinity];
    for (let i = 0; i < tape.along.length; i++)
      if (tape.along[i] >= x0 && tape.along[i] <= x1 && tape.across[i] >= y0 && tape.across[i] <= y1) inside.push(i);
    const traces = [];
    const single = inside.length <= MOST_POINTS;
    if (single) {
      const symbols = ["circle-open", "circle", "x-thin-open", "line-ew-open"], colours = ["var(--head-a)", "var(--ink)", "var(--head-b)", "var(--head-c)"];
      tape.kinds.forEach((kind, k) => {
        const own = inside.filter((i) => tape.kind[i] === k);
        if (own.length) traces.push({ type: "scatter", mode: "markers", name: kind, x: own.map((i) => tape.along[i]), y: own.map((i) => tape.across[i]),
          marker: { symbol: symbols[k], size: 7, color: colours[k], line: { color: colours[k], width: 1.4 } },
          customdata: own.map((i) => [tape.frame[i], tape.line[i], tape.us[i].toFixed(1), "–ABCD"[tape.head[i]]]),
          hovertemplate: `${kind}, %{customdata[2]} µs, head %{customdata[3]}<br>frame %{customdata[0]}, field line %{customdata[1]}<br>%{x:.2f} m, %{y:.1f} mm<extra></extra>` });
      });
    } else {
      const xs = Float32Array.from(inside, (i) => tape.along[i]), ys = Float32Array.from(inside, (i) => tape.across[i]);
      traces.push({ type: "histogram2d", x: xs, y: ys, nbinsx: 220, nbinsy: 42, showlegend: false, colorscale: [[0, "rgba(0,0,0,0)"], [0.001, "var(--loss-low)"], [1, "var(--loss-high)"]],
        colorbar: { title: { text: "Losses", side: "right", font: { size: 13 } }, tickfont: { size: 13 }, thickness: 12, outlinewidth: 0 }, hovertemplate: "%{z} losses<br>near %{x} m, %{y} mm<extra></extra>" });
    }
    if (data.tape.spots.length) {
      traces.push({ type: "scatter", mode: "lines", showlegend: false, x: tape.outlines.x, y: tape.outlines.y, line: { color: "var(--act)", width: 2 }, hoverinfo: "skip" });
      traces.push({ type: "scatter", mode: "markers", name: "damaged spot", x: data.tape.spots.map((s) => s[0]), y: data.tape.spots.map((s) => s[1]), // a spot of millimetres would not show on a tape of metres
        marker: { symbol: "square-open", size: 15, color: "var(--act)", line: { width: 2 } }, customdata: data.tape.spots, hovertemplate: "damaged spot, %{customdata[2]} losses<br>%{customdata[3]} × %{customdata[4]} mm<br>%{x:.2f} m, %{y:.1f} mm<extra></extra>" });
    }
    if (tapeState) tapeState.textContent = single ? `${grouped(inside.length)} losses drawn singly` : `${grouped(inside.length)} losses as counts`;
    const xaxis = { title: { text: "Along the tape, metres" }, zeroline: false, rangemode: "tozero" }, yaxis = { title: { text: "Across, mm from the middle" }, range: [-22, 22], zeroline: false, automargin: true };
    if (tapeView) { xaxis.range = tapeView.x; yaxis.range = tapeView.y; }
    return { data: traces, height: 360, layout: { xaxis, yaxis, legend: { orientation: "h", y: 1.02, yanchor: "bottom", x: 0 }, margin: { l: 10, r: 12, t: 30, b: 46 } } };
  };

  /* ---- drawing ---- */
  let printing = false;
  const makers = { series: seriesFigure, tape: tapeFigure };
  const draw = (element) => {
    const key = element.dataset.chart;
    const figure = makers[key] ? makers[key]() : data.figures[key];
    const width = printing ? PRINT_WIDTH : Math.max(260, element.parentElement.clientWidth);
    const layout = dressed(figure.layout, printing ? Math.round(figure.height * PRINT_HEIGHT) : figure.height, width);
    element.style.minHeight = `${layout.height}px`;
    if (key === "timeline") {
      if (timeRange) layout.xaxis.range = timeRange;
      layout.shapes = marked ? [{ type: "rect", xref: "x", yref: "paper", x0: marked[0], x1: marked[1], y0: 0, y1: 1, line: { color: colour("--accent"), width: 2 }, fillcolor: "rgba(0,0,0,0)" }] : [];
    }
    if (key === "timeline" || key === "series") layout.uirevision = JSON.stringify(timeRange);
    if (key === "tape") layout.uirevision = JSON.stringify(tapeView);
    for (const axis of [layout.xaxis, layout.yaxis]) if (axis && axis.type === "date") axis.nticks = Math.max(3, Math.min(9, Math.floor(width / 105)));
    if (key === "heads" && width < NARROW)
      for (const axis of Object.keys(layout)) if (/^xaxis\d*$/.test(axis)) layout[axis].ticktext = layout[axis].ticktext.map((text) => text.split("<br>")[0]); // the figures are in the table
    if (key === "heads" && width < NARROW) layout.annotations = layout.annotations.map((note) => ({ ...note, font: { size: 10 } }));
    Plotly.react(element, resolved(figure.data), layout, config);
    if (!drawn.has(element)) { drawn.add(element); listen(element, key); }
    element.dataset.drawn = key;
  };
  const redraw = (keys) => drawn.forEach((element) => { if (!keys || keys.includes(element.dataset.chart)) draw(element); });

  /* ---- time range, shared by the two charts over time ---- */
  let timeRange = null, marked = null;
  const whole = series.range;
  const stamp = (value) => (typeof value === "number" ? value : Date.parse(value.replace(" ", "T") + "Z"));
  const show = (range) => {
    if (range) {
      const length = Math.min(whole[1] - whole[0], Math.max(1000, range[1] - range[0]));
      const from = Math.min(Math.max(range[0], whole[0]), whole[1] - length);
      range = [from, from + length];
      if (length >= whole[1] - whole[0]) range = null;
    }
    timeRange = range;
    redraw(["timeline", "series"]);
  };
  document.querySelectorAll("[data-zoom]").forEach((button) => button.addEventListener("click", () => {
    const [from, to] = timeRange || whole, middle = (from + to) / 2, half = (to - from) / 2;
    const views = { in: [middle - half / 2, middle + half / 2], out: [middle - half * 2, middle + half * 2], back: [from - half, to - half], on: [from + half, to + half], all: null };
    if (button.dataset.zoom === "all") marked = null;
    show(views[button.dataset.zoom]);
  }));

  const listen = (element, key) => {
    if (key === "timeline") element.on("plotly_click", (event) => {
      const point = event.points.find((p) => p.customdata);
      if (point) goTo(point.customdata[0], true);
    });
    if (key === "timeline" || key === "series") element.on("plotly_relayout", (change) => {
      if (change["xaxis.range[0]"] !== undefined) show([stamp(change["xaxis.range[0]"]), stamp(change["xaxis.range[1]"])]);
      else if (change["xaxis.autorange"] || change["xaxis.range"]) show(null);
    });
    if (key === "tape") element.on("plotly_relayout", (change) => {
      if (change["xaxis.range[0]"] !== undefined || change["yaxis.range[0]"] !== undefined) {
        const now = element._fullLayout;
        tapeView = { x: [...now.xaxis.range], y: [...now.yaxis.range] };
      } else if (change["xaxis.autorange"] || change["yaxis.autorange"]) tapeView = null;
      else return;
      draw(element);
    });
  };
  document.querySelectorAll("[data-tape]").forEach((button) => button.addEventListener("click", () => { tapeView = null; redraw(["tape"]); }));
  if (chooser) chooser.addEventListener("change", () => redraw(["series"]));

  /* ---- going to a finding, and from a finding to its moment ---- */
  const goTo = (anchor, push) => {
    const target = document.getElementById(anchor);
    if (!target) return;
    for (let up = target; up; up = up.parentElement) { if (up.tagName === "DETAILS") up.open = true; if (up.hidden) up.hidden = false; }
    document.querySelectorAll(".here").forEach((element) => element.classList.remove("here"));
    target.classList.add("here");
    const focus = target.tagName === "DETAILS" ? target.querySelector("summary") : target;
    focus.focus({ preventScroll: true });
    target.scrollIntoView({ block: "start" });
    if (push) history.replaceState(null, "", `#${anchor}`);
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-show]");
    if (button) {
      const from = timeOf(+button.dataset.from), to = timeOf(+button.dataset.to), margin = Math.max(5000, (to - from) * 0.6);
      marked = [from, to];
      const figure = series.figures.findIndex((one) => one.kinds.includes(button.dataset.of));
      if (chooser && figure >= 0) chooser.value = figure;
      const element = document.querySelector('[data-chart="timeline"]');
      if (!drawn.has(element)) draw(element);
      show([from - margin, to + margin]);
      document.getElementById("timeline").scrollIntoView({ block: "start" });
      return;
    }
    const link = event.target.closest('a[href^="#finding-"]');
    if (link) { event.preventDefault(); goTo(link.getAttribute("href").slice(1), true); }
  });
  const timeOf = (frame) => whole[0] + (whole[1] - whole[0]) * frame / Math.max(1, data.frames);
  window.addEventListener("hashchange", () => goTo(location.hash.slice(1), false));

  /* ---- the list of the other findings ---- */
  const filter = document.getElementById("filter");
  if (filter) filter.addEventListener("change", () => {
    const kind = filter.elements.kind.value, weight = filter.elements.weight.value;
    let count = 0;
    document.querySelectorAll("#rest li[data-kind]").forEach((item) => {
      item.hidden = (kind && item.dataset.kind !== kind) || (weight && item.dataset.weight !== weight);
      if (!item.hidden) count += 1;
    });
    document.getElementById("shown").textContent = `${count} shown`;
  });

  /* ---- thumbnails share the picture's own data ---- */
  const fill = (scope) => scope.querySelectorAll("img[data-copy]:not([src])").forEach((image) => {
    const source = document.querySelector(`#${CSS.escape(image.dataset.copy)} img`);
    if (source) image.src = source.src;
  });
  document.querySelectorAll("article.finding").forEach(fill);
  document.addEventListener("toggle", (event) => { if (event.target.matches && event.target.matches("details.finding") && event.target.open) fill(event.target); }, true);

  /* ---- the moving excerpt ---- */
  const video = document.querySelector("video");
  document.querySelectorAll("[data-speed]").forEach((button) => button.addEventListener("click", () => {
    if (button.dataset.speed === "step") { video.pause(); video.currentTime = (video.currentTime + 1 / data.fields_per_s) % video.duration; return; }
    video.playbackRate = +button.dataset.speed;
    video.play();
  }));

  /* ---- drawn when near the view, all before printing, again when the theme or the width changes ---- */
  const watcher = new IntersectionObserver((seen) => seen.forEach((entry) => {
    if (entry.isIntersecting) { watcher.unobserve(entry.target); if (!drawn.has(entry.target)) draw(entry.target); }
  }), { rootMargin: "700px" });
  charts.forEach((element) => watcher.observe(element));
  let widthNow = innerWidth, timer = 0;
  window.addEventListener("resize", () => {
    clearTimeout(timer);
    timer = setTimeout(() => { if (!printing && innerWidth !== widthNow) { widthNow = innerWidth; redraw(); } }, 150);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => redraw());
  const forPaper = [...document.querySelectorAll("details:not(.rest):not(.finding):not([open])")].filter((element) => element.querySelectorAll("tr").length <= MOST_PRINTED_ROWS && !element.closest(".rest"));
  const toPrint = (on) => { printing = on; forPaper.forEach((element) => { element.open = on; }); root.classList.toggle("printing", on); if (on) charts.forEach(draw); else redraw(); };
  window.addEventListener("beforeprint", () => toPrint(true));
  window.addEventListener("afterprint", () => toPrint(false));
  window.headpassDrawAll = () => charts.forEach((element) => { if (!drawn.has(element)) draw(element); });
  if (location.hash) goTo(location.hash.slice(1), false);
})();
