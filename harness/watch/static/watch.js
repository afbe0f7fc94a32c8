// Follows /events; everything that comes from a plan or a log is written as text, never as markup.
(() => {
  "use strict";
  const $ = (id) => document.getElementById(id);
  let grid = null, live = null, history = [], current = "";

  const element = (tag, text, className) => {
    const made = document.createElement(tag);
    if (text !== undefined) made.textContent = text;
    if (className) made.className = className;
    return made;
  };
  const label = (name) => (grid && grid.labels[name]) || name;
  const duration = (s) => {
    if (s === null || s === undefined) return "unknown";
    const minutes = Math.round(s / 60);
    return minutes < 2 ? `${Math.round(s)} s` : minutes < 120 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
  };
  const clock = (utc) => new Date(utc).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
  const readable = (cell) => {
    const [title, setting, profile] = cell.split(".");
    return `${label(title)}${setting === "default" ? "" : ", " + setting} under ${label(profile)}`;
  };
  const set = (id, text) => { const place = $(id); if (place.textContent !== text) place.textContent = text; };

  const QUANTITIES = [
    ["core_temp_c", "core", "°C", 0], ["hotspot_temp_c", "hotspot", "°C", 0], ["cpu_temp_c", "processor", "°C", 0],
    ["ambient_temp_c", "ambient", "°C", 1], ["power_w", "power", "W", 0], ["running_fps", "frame rate", "FPS", 1], ["cpu_power_w", "processor power", "W", 0],
    ["core_clock_mhz", "core clock", "MHz", 0], ["fan_rpm", "fan", "1/min", 0],
    ["gpu_load_pct", "card load", "%", 0], ["cpu_load_pct", "processor load", "%", 0]];

  const drawSpark = (history) => {
    const svg = $("spark");
    svg.replaceChildren();
    const parts = [];
    const lines = [["temperature", ["core_temp_c", "cpu_temp_c"], "°C"], ["power", ["power_w", "cpu_power_w"], "W"]];
    for (const [name, quantities, unit] of lines) {
      const quantity = quantities.find((q) => history.some((p) => q in p));
      const points = quantity ? history.filter((p) => q(p, quantity)) : [];
      if (points.length < 2) continue;
      const values = points.map((p) => p[quantity]);
      const low = Math.min(...values), high = Math.max(...values), span = high - low || 1;
      const from = history[0].t_s, width = history[history.length - 1].t_s - from || 1;
      const line = document.createElementNS("http://www.w3.org/2000/svg", "polyline");
      line.setAttribute("class", name);
      line.setAttribute("points", points.map((p) => `${((p.t_s - from) / width * 600).toFixed(1)},${(112 - (p[quantity] - low) / span * 104).toFixed(1)}`).join(" "));
      svg.append(line);
      parts.push([name, `${low.toFixed(0)} to ${high.toFixed(0)} ${unit}`]);
    }
    const caption = $("spark-caption");
    caption.replaceChildren(...parts.flatMap(([name, text]) => [element("span", undefined, "swatch " + name), document.createTextNode(`${name} ${text}`)]));
    svg.parentElement.hidden = parts.length === 0;
    if (parts.length) svg.setAttribute("aria-label", `Last ${duration(history[history.length - 1].t_s - history[0].t_s)}: ` + parts.map((p) => p.join(" ")).join(", "));
    function q(point, name) { return point[name] !== undefined && point[name] !== null; }
  };

  const showLive = () => {
    const runs = Boolean(grid && grid.running && live);
    if (grid && !grid.running) {
      set("headline", grid.complete ? "The campaign is finished" : "The campaign is not running");
      set("phase", grid.complete ? "All planned repeats are measured or accounted for." : "The run command goes on where it ended" + (grid.outcome ? ` (${grid.outcome}).` : "."));
    } else if (live) {
      set("headline", live.ends_utc === null ? "Running" : `Ends about ${clock(live.ends_utc)}, in ${duration(live.ends_in_s)}`);
      const left = live.phase_left_s === null || live.phase_left_s === undefined ? "" : `, about ${duration(live.phase_left_s)} left`;
      const what = `${live.phase[0].toUpperCase()}${live.phase.slice(1)} for ${duration(live.phase_s)}${left}`;
      const where = live.cell_id ? `. ${readable(live.cell_id)}, ${live.which || `repeat ${live.repeat_index}`}, try ${live.attempt_index}` : "";
      set("phase", `${what}${where}${live.detail ? ` (${live.detail})` : ""}.`);
    } else {
      set("headline", "Running, no news yet");
      set("phase", "–");
    }
    const readings = runs ? { ...live.readings } : {};
    if (runs && live.running_fps !== undefined) readings.running_fps = live.running_fps;
    const found = QUANTITIES.filter(([name]) => readings[name] === null || typeof readings[name] === "number");
    $("readings").replaceChildren(...found.map(([name, text, unit, decimals]) => {
      const pair = element("div"), value = readings[name];
      pair.append(element("dt", text), element("dd", value === null ? "–" : `${value.toFixed(decimals)} ${unit}`));
      return pair;
    }));
    drawSpark(runs ? history : []);
    const request = runs ? live.request : null;
    for (const button of document.querySelectorAll("[data-request]")) {
      const wish = button.dataset.request;
      button.disabled = !(grid && grid.running) || (wish !== "none" && wish === request);
      if (wish === "none") button.hidden = !request;
    }
    if (request) set("said", request === "stop" ? "Stopping…" : "It will pause after this attempt.");
    else if (/^(Stopping|It will)/.test($("said").textContent)) set("said", "");
    const now = runs && live.cell_id ? `${live.cell_id}#${live.repeat_index}` : "";
    if (now !== current) { current = now; if (grid) showGrid(); }
  };

  // How an interval has narrowed: one bar for each count of repeats, on one scale with the margin and no change.
  const funnel = (course, margin) => {
    const make = (tag, attributes) => { const made = document.createElementNS("http://www.w3.org/2000/svg", tag); for (const [k, v] of Object.entries(attributes)) made.setAttribute(k, v); return made; };
    const ends = course.flatMap((one) => [one.low, one.high, 0, -margin, margin]);
    const low = Math.min(...ends), span = Math.max(...ends) - low || 1, at = (value) => (4 + 292 * (value - low) / span).toFixed(1);
    const list = element("ol", undefined, "course");
    for (const one of course) {
      const item = element("li"), svg = make("svg", { viewBox: "0 0 300 16", preserveAspectRatio: "none", "aria-hidden": "true" });
      svg.append(make("rect", { x: at(-margin), y: 0, width: at(margin) - at(-margin), height: 16, class: "band" }),
        make("line", { x1: at(0), x2: at(0), y1: 0, y2: 16, class: "zero" }),
        make("rect", { x: at(one.low), y: 5, width: Math.max(2, at(one.high) - at(one.low)), height: 6, class: "interval" }));
      item.append(element("span", `up to ${one.repeats} repeats`, "when"), svg, element("span", one.text, "ends"));
      list.append(item);
    }
    return list;
  };
  const showFar = () => {
    const far = grid.so_far;
    $("far").hidden = !far;
    if (!far) return;
    set("far-confidence", `their ${far.confidence_pct} %`);
    $("far-profiles").replaceChildren(...far.profiles.map((one) => {
      const part = element("article"), tiles = element("dl", undefined, "tiles");
      part.append(element("h3", `${label(one.profile)} against ${label(far.reference)}, ${one.titles === 1 ? "in one title" : `over ${one.titles} titles`}`));
      tiles.append(...one.figures.map((figure) => {
        const tile = element("div"), value = element("dd");
        value.append(element("span", `${figure.arrow} ${figure.change}`.trim(), "change"), element("span", `(${figure.interval})`, "figures"));
        tile.append(element("dt", figure.label), value);
        return tile;
      }));
      part.append(tiles);
      if (one.course.length > 1) part.append(element("p", `How the interval of ${far.headline} has narrowed; the band is the margin of ${far.margin_pct} %, the line no change:`, "hint"), funnel(one.course, far.margin_pct));
      return part;
    }));
  };

  const showGrid = () => {
    set("name", `${grid.name} · ${grid.question}`);
    document.title = `${grid.accepted}/${grid.wanted} ${grid.name}`;
    const bar = $("bar");
    bar.setAttribute("aria-valuemax", grid.wanted);
    bar.setAttribute("aria-valuenow", grid.accepted);
    bar.firstElementChild.style.width = `${100 * grid.accepted / Math.max(grid.wanted, 1)}%`;
    set("counts", `${grid.accepted} of ${grid.wanted} repeats accepted, ${grid.rejected} attempts do not count`);
    const profiles = grid.profiles;
    const head = element("tr");
    head.append(element("th", "Title"), ...profiles.map((p) => { const th = element("th", label(p)); th.scope = "col"; return th; }));
    head.firstElementChild.scope = "col";
    const body = grid.rows.map((row) => {
      const [title, setting] = row.place.split(".");
      const tr = element("tr");
      const name = element("th", label(title) + (setting === "default" ? "" : ", " + setting));
      name.scope = "row";
      tr.append(name);
      for (const profile of profiles) {
        const td = element("td"), cell = row.cells[profile];
        if (cell) {
          const marks = element("span", undefined, "marks"), count = {};
          for (const repeat of cell.repeats) {
            const state = current === `${cell.cell_id}#${repeat.index}` ? "running" : repeat.state;
            count[state] = (count[state] || 0) + 1;
            const mark = element("span", undefined, "mark " + state.replace(" ", "-"));
            mark.title = `repeat ${repeat.index}: ${state}, ${repeat.attempts} tries`;
            mark.setAttribute("aria-hidden", "true");
            marks.append(mark);
            if (state === "running") tr.className = "current";
          }
          td.append(marks, element("span", Object.entries(count).map(([s, n]) => `${n} ${s}`).join(", "), "visually-hidden"));
          td.append(...cell.figures.map((text) => element("span", text, "figure")));
          td.dataset.label = label(profile);
        }
        tr.append(td);
      }
      return tr;
    });
    document.querySelector("#grid thead").replaceChildren(head);
    document.querySelector("#grid tbody").replaceChildren(...body);
    $("aside").replaceChildren(...[...grid.set_aside, ...grid.crashes].map((reason) => element("li", reason)));
    $("log").replaceChildren(...grid.log.slice(-20).reverse().map((line) => element("li", `${line.time.replace("T", " ")}  ${line.text}`, line.level)));
    if (!grid.log.length) $("log").append(element("li", "nothing yet"));
    showFar();
    if (grid.report && !document.getElementById("to-report")) {
      const link = element("a", "Open the report");
      link.id = "to-report";
      link.href = "report";
      $("actions").append(link);
    }
  };

  const send = async (wish) => {
    set("said", "Passing it on…");
    try {
      const answer = await fetch("request", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ request: wish }) });
      const found = await answer.json();
      set("said", answer.ok ? { "pause-after-attempt": "It will pause after this attempt.", stop: "Stopping…", none: "Taken back." }[wish] : found.error);
    } catch { set("said", "The server could not be reached; nothing was asked for."); }
  };
  const QUESTIONS = { stop: "Stop now? The running attempt is ended and does not count; the factory state is restored.", "pause-after-attempt": "Pause once the running attempt has ended?" };
  const sure = $("sure");
  let wanted = "";
  for (const button of document.querySelectorAll("[data-request]"))
    button.addEventListener("click", () => {
      wanted = button.dataset.request;
      if (wanted === "none") { send(wanted); return; }
      $("sure-text").textContent = QUESTIONS[wanted];
      sure.showModal();
    });
  $("yes").addEventListener("click", () => { sure.close(); send(wanted); });
  $("no").addEventListener("click", () => sure.close());

  const connect = () => {
    const source = new EventSource("events");
    source.addEventListener("open", () => set("link", "connected"));
    source.addEventListener("grid", (e) => { grid = JSON.parse(e.data); showGrid(); showLive(); });
    source.addEventListener("history", (e) => { history = JSON.parse(e.data); showLive(); });
    source.addEventListener("live", (e) => { live = JSON.parse(e.data); showLive(); });
    source.addEventListener("trouble", (e) => set("link", JSON.parse(e.data).error));
    source.addEventListener("error", () => {
      set("link", "connection lost, trying again");
      if (source.readyState === EventSource.CLOSED) setTimeout(connect, 2000);
    });
  };
  connect();
})();
