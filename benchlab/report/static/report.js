"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const settings = JSON.parse(byId("plot-settings").textContent);
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const coarse = matchMedia("(pointer: coarse)").matches;
  const plots = [...document.querySelectorAll(".plot")];
  const opened = new Set();
  let printing = false;

  // ---- plotly: unpacked once, then figures are drawn as they come into view
  async function loadPlotly() {
    if (!("DecompressionStream" in window)) throw new Error("this browser cannot unpack the drawing code");
    const packed = Uint8Array.from(atob(byId("plotly-gz").textContent), (c) => c.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    const script = document.createElement("script");
    script.textContent = await new Response(stream).text();
    document.head.append(script);
    if (!window.Plotly) throw new Error("the drawing code did not start");
  }

  function colours(json) {
    const night = dark.matches && !printing;
    return night ? json.replace(/#[0-9a-f]{6}/g, (c) => settings.dark[c] || c) : json;
  }

  function draw(plot) {
    const spec = JSON.parse(colours(byId(plot.id + "-data").textContent));
    const layout = spec.layout || {};
    layout.template = JSON.parse(colours(JSON.stringify(settings.template)));
    layout.height = plot.offsetHeight || Number(plot.dataset.height);
    layout.width = printing ? (plot.dataset.wide ? 680 : 332) : undefined;
    layout.autosize = !printing;
    if (printing) layout.height = Number(plot.dataset.height) * (plot.dataset.wide ? 0.85 : 0.8);
    if (coarse) layout.dragmode = false;
    if (!plot.dataset.drawn) plot.textContent = "";
    window.Plotly.react(plot, spec.data, layout, { ...settings.config, staticPlot: printing, responsive: !printing });
    plot.dataset.drawn = printing ? "print" : "screen";
  }

  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (entry.isIntersecting && !entry.target.dataset.drawn) draw(entry.target);
    }
  }, { rootMargin: "400px" });

  function redraw() {
    for (const plot of plots) if (plot.dataset.drawn && plot.offsetWidth) draw(plot);
  }

  // ---- print: everything open, everything drawn, in the colours of paper
  function beforePrint() {
    if (printing || !window.Plotly) return;
    printing = true;
    document.documentElement.classList.add("printing");
    for (const box of document.querySelectorAll("main details:not([open])")) {
      opened.add(box);
      box.open = true;
    }
    plots.forEach(draw);
  }

  function afterPrint() {
    if (!printing) return;
    printing = false;
    document.documentElement.classList.remove("printing");
    for (const box of opened) box.open = false;
    opened.clear();
    for (const plot of plots) {
      window.Plotly.purge(plot);
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

  loadPlotly().then(() => {
    plots.forEach((plot) => seen.observe(plot));
    dark.addEventListener("change", () => { if (!printing) redraw(); });
    addEventListener("beforeprint", beforePrint);
    addEventListener("afterprint", afterPrint);
    document.documentElement.dataset.ready = "yes";
    if (location.hash) openTarget();
  }, (error) => {
    document.documentElement.dataset.ready = "no";
    byId("plot-trouble").textContent = `The figures cannot be drawn: ${error.message}. Their findings stand in words in their places.`;
    byId("plot-trouble").hidden = false;
  });
})();
