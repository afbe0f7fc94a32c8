// Selection, drawing on demand, following the reader's light or dark ground. Data: #report-data.
(() => {
  "use strict";
  const root = document.documentElement;
  const store = JSON.parse(document.getElementById("report-data").textContent);
  if (!window.vegaEmbed) return;
  root.classList.add("js");

  // What is printed has nothing folded but the numbers behind charts.
  let unfolded = [];
  addEventListener("beforeprint", () => { unfolded = [...document.querySelectorAll("details.fold:not([open])")]; unfolded.forEach((d) => { d.open = true; }); });
  addEventListener("afterprint", () => unfolded.forEach((d) => { d.open = false; }));

  const copied = async (text, html) => {
    try {
      if (html && window.ClipboardItem) {
        const kinds = { "text/plain": text, "text/html": html };
        await navigator.clipboard.write([new ClipboardItem(Object.fromEntries(Object.entries(kinds).map(([k, v]) => [k, new Blob([v], { type: k })])))]);
      } else await navigator.clipboard.writeText(text);
      return true;
    } catch {
      const field = document.createElement("textarea");
      field.value = text;
      document.body.append(field);
      field.select();
      const done = document.execCommand("copy");
      field.remove();
      return done;
    }
  };
  for (const button of document.querySelectorAll("button[data-copy]"))
    button.addEventListener("click", async () => {
      const place = document.getElementById(button.dataset.copy), formatted = document.getElementById(button.dataset.copy + "-html");
      const done = await copied(place.value ?? place.textContent, formatted ? formatted.value : "");
      button.dataset.done = done ? "✓ copied" : "could not be copied; select the text instead";
      if (!done) place.hidden = false;
      setTimeout(() => delete button.dataset.done, 4000);
    });
  const pick = document.getElementById("pick-title");
  const boxes = [...document.querySelectorAll("#controls input[type=checkbox]")];
  const checked = (name) => boxes.filter((b) => b.checked && b.name === name).map((b) => b.value);
  const drawn = new Map();
  const selected = () => ({ title: pick.value, profiles: checked("profile"), campaigns: checked("campaign") });
  const signalled = (view, state) => Object.entries(state).reduce((v, [name, value]) => v.signal(name, value), view).runAsync();

  const role = (name) => getComputedStyle(root).getPropertyValue("--" + name).trim();
  const painted = (node) => {
    if (typeof node === "string") return node[0] === "@" ? role(node.slice(1)) : node;
    if (Array.isArray(node)) return node.map(painted);
    if (node && typeof node === "object") return Object.fromEntries(Object.entries(node).map(([k, v]) => [k, painted(v)]));
    return node;
  };

  const toRows = (columns) => {
    const names = Object.keys(columns);
    const rows = [];
    for (let i = 0; i < (names.length ? columns[names[0]].length : 0); i++) {
      const row = {};
      for (const name of names) {
        row[name] = columns[name][i];
        if (store.labels[row[name]] && (name === "profile" || name === "title")) row[name + "_label"] = store.labels[row[name]];
      }
      rows.push(row);
    }
    return rows;
  };

  // A packed trace: bucket width, and shortest, longest and mean frame of each bucket in hundredths of a ms.
  const unpack = (trace) => {
    const rows = [];
    trace.low.forEach((low, i) => {
      if (low !== null) rows.push({
        profile: trace.profile, profile_label: store.labels[trace.profile], t_s: trace.start + (i + 0.5) * trace.width,
        low_ms: low / 100, high_ms: trace.high[i] / 100, mean_ms: trace.mean[i] / 100 });
    });
    return rows;
  };
  const rowsOf = (name) => {
    const chart = store.charts[name];
    if (!chart.traces) return toRows(chart.columns);
    const choice = document.getElementById("repeat-" + name);
    const middle = !choice || choice.value === "";
    return chart.traces.filter((t) => (middle ? t.middle : t.repeat === Number(choice.value))).flatMap(unpack);
  };

  const config = (width) => ({
    aria: false, background: null, font: getComputedStyle(document.body).fontFamily,
    view: { stroke: null },
    axis: { gridColor: role("rule"), domainColor: role("rule"), tickColor: role("rule"), labelColor: role("ink"),
      titleColor: role("quiet-ink"), titleFontWeight: "normal", labelFontSize: 12, titleFontSize: 12, labelLimit: 170 },
    axisXQuantitative: { tickCount: Math.max(3, Math.round(width / 110)) },
    legend: { labelColor: role("ink"), labelFontSize: 12, ...(width < 560 ? { columns: 2 } : {}) },
    title: { color: role("ink"), fontSize: 13 },
    header: { labelColor: role("ink"), labelFontSize: 12, labelFontWeight: "bold" },
  });

  // Vega-Lite sizes panels, not whole concatenations: spread the width over the panels here.
  const sized = (spec, width) => {
    const inner = Math.max(160, width - 70);
    const labels = Math.min(180, 7 * Math.max(...store.rowLabels.map((l) => l.length)) + 20);
    if (spec.concat) {
      const count = spec.concat.length, fit = Math.max(1, Math.min(count, Math.floor(width / (labels + 170))));
      const columns = Math.ceil(count / Math.ceil(count / fit)); // four panels stand in two rows of two, not three and one
      const each = Math.max(150, (width - columns * (labels + 30)) / columns);
      return { ...spec, columns, concat: spec.concat.map((p) => (p.facet ? { ...p, spec: { ...p.spec, width: each } } : { ...p, width: each })) };
    }
    if (spec.vconcat) return { ...spec, vconcat: spec.vconcat.map((p) => ({ ...p, width: inner })) };
    if (spec.facet) return { ...spec, spec: { ...spec.spec, width: spec.spec.height.step ? Math.max(150, width - labels - 30) : inner } };
    if (spec.height && spec.height.step) return { ...spec, width: Math.max(150, width - labels - 30) };
    return { ...spec, width: "container", autosize: { type: "fit-x", contains: "padding" } };
  };

  // Room for a chart before it is drawn, so that nothing on the page moves when it is; its panels by size and rows.
  const distinct = (rows, name) => new Set(rows.map((row) => row[name])).size || 1;
  const rowed = (spec, rows) => {
    const layer = (spec.layer || [spec]).find((l) => l.encoding && l.encoding.y && l.encoding.y.field) || spec;
    const across = distinct(rows, layer.encoding && layer.encoding.y ? layer.encoding.y.field : "row_label");
    return typeof spec.height === "object" ? across * distinct(rows, "profile") * spec.height.step * 1.25 : spec.height || 0;
  };
  const legendRows = (width, rows) => 20 * (width < 560 ? Math.ceil(distinct(rows, "profile") / 2) : 1);
  const panelRoom = (spec, rows) => {
    if (!spec.facet) return rowed(spec, rows) + 94;
    const groups = new Map();
    for (const row of rows) { const key = row[spec.facet.row.field]; groups.set(key, [...(groups.get(key) || []), row]); }
    return [...groups.values()].reduce((sum, own) => sum + rowed(spec.spec, own) + (spec.spacing || 20) + 14, 0) + 70;
  };
  const room = (name, width) => {
    const spec = sized(store.charts[name].spec, width), rows = rowsOf(name);
    if (spec.concat) return Math.ceil(spec.concat.length / spec.columns) * Math.max(...spec.concat.map((p) => panelRoom(p, rows)));
    if (spec.vconcat) return spec.vconcat.reduce((sum, p) => sum + p.height + 28, 0) + 40 + legendRows(width, rows);
    return panelRoom(spec, rows) + (spec.mark ? legendRows(width, rows) : 0);
  };
  const keepRoom = (place) => { const width = place.clientWidth; if (width) place.style.height = `${Math.ceil(room(place.dataset.chart, width))}px`; };

  const draw = async (place) => {
    const name = place.dataset.chart;
    const state = selected();
    const width = place.clientWidth;
    const spec = { $schema: "https://vega.github.io/schema/vega-lite/v6.json", ...sized(painted(store.charts[name].spec), width),
      data: { name: "rows", values: rowsOf(name) }, config: config(width) };
    spec.params = [...(spec.params || []), ...Object.entries(state).map(([name, value]) => ({ name, value }))];
    const before = drawn.get(place);
    if (before) before.view.finalize();
    const made = await vegaEmbed(place, spec, { actions: false, renderer: "svg", mode: "vega-lite", logLevel: 1 });
    place.querySelector("svg").setAttribute("aria-hidden", "true"); // the place itself has the text alternative
    drawn.set(place, { view: made.view, width });
    place.dataset.drawn = "yes";
    const now = selected();
    if (JSON.stringify(now) !== JSON.stringify(state)) signalled(made.view, now);
  };

  const select = () => {
    const state = selected();
    for (const element of document.querySelectorAll("main :is([data-title], [data-profile], [data-campaign]):not(svg *)")) {
      const { title, profile, campaign } = element.dataset;
      element.hidden = Boolean((title && state.title && title !== state.title)
        || (profile && !state.profiles.includes(profile)) || (campaign && !state.campaigns.includes(campaign)));
    }
    for (const part of document.querySelectorAll("svg [data-title]")) part.classList.toggle("dim", Boolean(state.title) && part.dataset.title !== state.title);
    for (const part of document.querySelectorAll("svg [data-profile]")) part.classList.toggle("dim", !state.profiles.includes(part.dataset.profile));
    for (const note of document.querySelectorAll(".reach")) note.hidden = !state.title;
    for (const fold of document.querySelectorAll("details.fold[data-title]")) if (state.title && fold.dataset.title === state.title) fold.open = true;
    for (const { view } of drawn.values()) signalled(view, state);
  };
  pick.addEventListener("change", select);
  boxes.forEach((box) => box.addEventListener("change", select));

  const places = [...document.querySelectorAll("[data-chart]")];
  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) if (entry.isIntersecting && !drawn.has(entry.target)) { drawn.set(entry.target, { view: { finalize() {}, signal() { return this; }, runAsync() {} }, width: 0 }); draw(entry.target); }
  }, { rootMargin: "600px" });
  places.forEach((place) => { keepRoom(place); seen.observe(place); });
  for (const fold of document.querySelectorAll("details.fold")) fold.addEventListener("toggle", () => { if (fold.open) fold.querySelectorAll("[data-chart]").forEach(keepRoom); });
  for (const choice of document.querySelectorAll("select[data-repeat-of]"))
    choice.addEventListener("change", () => draw(document.getElementById(choice.dataset.repeatOf + "-interactive")));

  const again = () => places.filter((p) => drawn.has(p)).forEach(draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  const bar = document.getElementById("controls");
  const keepBar = () => root.style.setProperty("--bar", `${(getComputedStyle(bar).position === "sticky" ? bar.offsetHeight : 0) + 12}px`);
  keepBar();
  let waiting = 0;
  addEventListener("resize", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => { keepBar(); places.forEach(keepRoom); places.filter((p) => drawn.has(p) && p.clientWidth && Math.abs(p.clientWidth - drawn.get(p).width) > 4).forEach(draw); }, 150);
  });
  root.dataset.ready = "yes";
})();
