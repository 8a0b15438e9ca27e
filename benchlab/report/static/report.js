"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const settings = JSON.parse(byId("plot-settings").textContent);
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const coarse = matchMedia("(pointer: coarse)").matches;
  const plots = [...document.querySelectorAll(".plot")];
  const opened = new Set();
  const closed = new Set();
  let printing = false;

  // ---- plotly: unpacked once the page stands, then figures are drawn as they come near the view
  function bytes(text) {
    return Uint8Array.fromBase64 ? Uint8Array.fromBase64(text) : Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  }

  async function loadPlotly() {
    if (!("DecompressionStream" in window)) throw new Error("this browser cannot unpack the drawing code");
    const stream = new Blob([bytes(byId("plotly-gz").textContent)]).stream();
    const script = document.createElement("script");
    script.textContent = await new Response(stream.pipeThrough(new DecompressionStream("gzip"))).text();
    document.head.append(script);
    if (!window.Plotly) throw new Error("the drawing code did not start");
  }

  // packed arrays: whole steps above the least value, 0 for a missing one; see figures/base.py
  function unpack(x) {
    if (x === null || typeof x !== "object") return x;
    if (x.u2 || x.u1) {
      const raw = bytes(x.u2 || x.u1);
      const codes = x.u2 ? new Uint16Array(raw.buffer) : raw;
      const values = Float64Array.from(codes, (c) => (c ? x.low + c * x.step : NaN));
      if (!x.width) return values;
      return Array.from({ length: values.length / x.width }, (_, i) => values.subarray(i * x.width, (i + 1) * x.width));
    }
    for (const key in x) x[key] = unpack(x[key]);
    return x;
  }

  // many dots become one path of round points: a thousand times fewer elements in the page and on paper
  function onePath(trace) {
    const n = trace.y ? trace.y.length : 0;
    if (trace.mode !== "markers" || n < 100 || Array.isArray(trace.marker.symbol)) return;
    const x = [];
    const y = [];
    for (let i = 0; i < n; i++) {
      const at = trace.x ? trace.x[i] : trace.x0 + i * trace.dx;
      if (Number.isNaN(trace.y[i])) continue;
      x.push(at, at, null);
      y.push(trace.y[i], trace.y[i], null);
    }
    Object.assign(trace, { mode: "lines", x, y, line: { color: trace.marker.color, width: trace.marker.size, simplify: false } });
  }

  function colours(json) {
    const night = dark.matches && !printing;
    return night ? json.replace(/#[0-9a-f]{6}/g, (c) => settings.dark[c] || c) : json;
  }

  // on paper three small figures stand in a row: smaller letters, narrower margins
  function forPaper(layout, plot) {
    layout.width = Number(plot.dataset.paper) || (plot.dataset.wide ? 688 : 219);
    const small = layout.width < 300;
    const size = small ? 8 : 9;
    layout.height = Number(plot.dataset.height) * (plot.dataset.wide ? 0.5 : 0.66);
    layout.autosize = false;
    plot.style.height = `${layout.height}px`;
    layout.template.layout.font.size = size;
    if (small) layout.margin = { ...layout.template.layout.margin, ...layout.margin, l: 40, r: 6, t: 16, b: 26 };
    for (const axis of ["xaxis", "yaxis"]) layout.template.layout[axis].title.font.size = size;
    for (const note of layout.annotations || []) {
      note.font.size = size - 1;
      if (note.xshift) note.xshift = -38;
    }
    for (const key in layout) if (/^[xy]axis/.test(key) && layout[key].title) layout[key].title.standoff = 3;
  }

  function draw(plot) {
    const spec = unpack(JSON.parse(colours(byId(plot.id + "-data").textContent)));
    const layout = spec.layout;
    spec.data.forEach(onePath);
    layout.template = JSON.parse(colours(JSON.stringify(settings.template)));
    layout.height = plot.offsetHeight || Number(plot.dataset.height);
    if (printing) forPaper(layout, plot);
    if (coarse) layout.dragmode = false;
    if (!plot.dataset.drawn) plot.textContent = "";
    const bar = coarse || printing ? false : "hover";
    window.Plotly.react(plot, spec.data, layout,
      { ...settings.config, displayModeBar: bar, staticPlot: printing, responsive: !printing });
    plot.dataset.drawn = printing ? "print" : "screen";
    describe(plot);
  }

  // the alternative text moves to the drawing itself: buttons now stand beside it, and an image must not hold any
  function describe(plot) {
    const [first, ...others] = plot.querySelectorAll(".main-svg");
    plot.dataset.label ||= plot.getAttribute("aria-label");
    plot.removeAttribute("role");
    plot.removeAttribute("aria-label");
    first.setAttribute("role", "img");
    first.setAttribute("aria-label", plot.dataset.label);
    for (const svg of others) svg.setAttribute("aria-hidden", "true");
  }

  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (entry.isIntersecting && !entry.target.dataset.drawn) draw(entry.target);
    }
  }, { rootMargin: "400px" });

  function redraw() {
    for (const plot of plots) if (plot.dataset.drawn && plot.offsetWidth) draw(plot);
  }

  // ---- print: boxes open but for the long lists, the figures that decide are drawn in the colours of paper
  function beforePrint() {
    if (printing) return;
    printing = true;
    document.documentElement.classList.add("printing");
    for (const box of document.querySelectorAll("main details:not([open]):not([data-print=no])")) {
      opened.add(box);
      box.open = true;
    }
    for (const box of document.querySelectorAll("main details[open][data-print=no]")) {
      closed.add(box);
      box.open = false;
    }
    if (window.Plotly) plots.filter((plot) => plot.dataset.print !== "no").forEach(draw);
  }

  function afterPrint() {
    if (!printing) return;
    printing = false;
    document.documentElement.classList.remove("printing");
    for (const box of opened) box.open = false;
    for (const box of closed) box.open = true;
    opened.clear();
    closed.clear();
    if (!window.Plotly) return;
    for (const plot of plots) {
      if (plot.dataset.drawn !== "print") continue;
      window.Plotly.purge(plot);
      plot.style.height = `${plot.dataset.height}px`;
      delete plot.dataset.drawn;
      seen.unobserve(plot);
      seen.observe(plot);
    }
  }

  // ---- table of parts: filter and sort
  const table = byId("parts-table");
  function filter() {
    const words = byId("parts-filter").value.toLowerCase();
    const verdict = byId("parts-verdict").value;
    let shown = 0;
    for (const row of table.tBodies[0].rows) {
      const hit = row.textContent.toLowerCase().includes(words) && (!verdict || row.dataset.verdict === verdict);
      row.hidden = !hit;
      shown += hit;
    }
    byId("parts-count").textContent = `${shown} of ${table.tBodies[0].rows.length} shown`;
  }

  function sortBy(button) {
    const head = button.closest("th");
    const up = head.getAttribute("aria-sort") !== "ascending";
    for (const th of table.tHead.rows[0].cells) th.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", up ? "ascending" : "descending");
    const key = (row) => row.cells[head.cellIndex].dataset.key || row.cells[head.cellIndex].textContent.trim();
    const rows = [...table.tBodies[0].rows];
    rows.sort((a, b) => (up ? 1 : -1) * key(a).localeCompare(key(b), "en", { numeric: true }));
    table.tBodies[0].append(...rows);
  }

  if (table) {
    byId("parts-tools").hidden = false;
    byId("parts-filter").addEventListener("input", filter);
    byId("parts-verdict").addEventListener("change", filter);
    for (const button of table.querySelectorAll("th button")) button.addEventListener("click", () => sortBy(button));
    filter();
  }

  // on small screens the contents start closed
  if (!matchMedia("(min-width: 1150px)").matches) document.querySelector("nav details").open = false;

  // a link into a closed box opens it
  function openTarget() {
    const target = location.hash && byId(decodeURIComponent(location.hash.slice(1)));
    for (let box = target && target.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    if (target) target.scrollIntoView();
  }
  addEventListener("hashchange", openTarget);

  const printButton = byId("print");
  printButton.hidden = false;
  printButton.addEventListener("click", () => print());

  addEventListener("beforeprint", beforePrint);
  addEventListener("afterprint", afterPrint);
  if (location.hash) openTarget();
  document.documentElement.dataset.ready = "yes";

  function startDrawing() {
    loadPlotly().then(() => {
      plots.forEach((plot) => seen.observe(plot));
      dark.addEventListener("change", () => { if (!printing) redraw(); });
      document.documentElement.dataset.figures = "yes";
    }, (error) => {
      document.documentElement.dataset.figures = "no";
      byId("plot-trouble").textContent = `The figures cannot be drawn: ${error.message}. Their findings stand in words in their places.`;
      byId("plot-trouble").hidden = false;
    });
  }
  // after the first picture of the page
  requestAnimationFrame(() => setTimeout(startDrawing));
})();
