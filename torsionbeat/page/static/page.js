// The bench page in the browser: joins the stream of events, draws plots, uploads recordings. It computes no figure.
"use strict";
(() => {
  const body = document.body, byId = (id) => document.getElementById(id);
  const token = () => document.querySelector("meta[name=token]").content;
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const still = matchMedia("(prefers-reduced-motion: reduce)");

  // ---- plots: the server sends content and place as JSON
  const plots = new Map();
  const strokes = { a: "--side-a", b: "--side-b", ink: "--ink", act: "--act" };

  function points(side) {
    return (u, row, first, last) => {
      const { ctx } = u, size = (u.data[0].length > 250 ? 2 : 3) * devicePixelRatio;
      ctx.save(); ctx.strokeStyle = ctx.fillStyle = colour(strokes[side]); ctx.lineWidth = 1.2 * devicePixelRatio;
      for (let i = first; i <= last; i++) {
        if (u.data[row][i] == null) continue;
        const x = u.valToPos(u.data[0][i], "x", true), y = u.valToPos(u.data[row][i], "y", true);
        ctx.beginPath();
        if (side === "b") { ctx.rect(x - size * .85, y - size * .85, size * 1.7, size * 1.7); ctx.stroke(); }
        else { ctx.arc(x, y, size, 0, 7); ctx.fill(); }
      }
      ctx.restore(); return null;
    };
  }
  function values(side, low, high) {
    return (u, row, first, last) => {
      const { ctx } = u, half = 6 * devicePixelRatio; let before = null;
      ctx.save(); ctx.lineWidth = 1.2 * devicePixelRatio; ctx.strokeStyle = colour("--edge"); ctx.beginPath();
      for (let i = first; i <= last; i++) {
        if (u.data[row][i] == null) continue;
        const x = u.valToPos(u.data[0][i], "x", true), y = u.valToPos(u.data[row][i], "y", true);
        if (before) { ctx.moveTo(...before); ctx.lineTo(x, y); } before = [x, y];
      }
      ctx.stroke();
      for (let i = first; i <= last; i++) {
        if (u.data[row][i] == null) continue;
        const x = u.valToPos(u.data[0][i], "x", true), y = u.valToPos(u.data[row][i], "y", true);
        const top = u.valToPos(high[i], "y", true), bottom = u.valToPos(low[i], "y", true);
        ctx.globalAlpha = .3; ctx.fillStyle = colour(strokes[side]); ctx.fillRect(x - half * .7, top, half * 1.4, Math.max(bottom - top, 1)); ctx.globalAlpha = 1;
        ctx.lineWidth = 2.5 * devicePixelRatio; ctx.strokeStyle = colour(strokes[side]);
        ctx.beginPath(); ctx.moveTo(x - half, y); ctx.lineTo(x + half, y); ctx.stroke();
      }
      ctx.restore(); return null;
    };
  }
  function under(plot) {  // bands and limits are drawn behind the measured values
    return (u) => {
      const { ctx, bbox } = u, dpr = devicePixelRatio, right = bbox.left + bbox.width;
      ctx.save(); ctx.beginPath(); ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height); ctx.clip();
      ctx.font = `${13 * dpr}px system-ui, sans-serif`; ctx.textAlign = "right"; ctx.textBaseline = "bottom";
      for (const band of plot.bands) {
        const top = u.valToPos(band.high, "y", true), bottom = u.valToPos(band.low, "y", true);
        ctx.fillStyle = colour("--band"); ctx.fillRect(bbox.left, top, bbox.width, Math.max(bottom - top, 2 * dpr));
      }
      for (const limit of plot.limits) {
        const y = Math.round(u.valToPos(limit.y, "y", true));
        ctx.strokeStyle = ctx.fillStyle = colour(limit.aim ? "--ink" : "--act"); ctx.lineWidth = dpr; ctx.setLineDash(limit.aim ? [] : [5 * dpr, 4 * dpr]);
        ctx.beginPath(); ctx.moveTo(bbox.left, y); ctx.lineTo(right, y); ctx.stroke(); ctx.fillText(limit.label, right - 4 * dpr, y - 2 * dpr);
      }
      ctx.restore();
    };
  }
  function over(plot) {  // works are labelled above the plot; where two labels would overlap, the later work has only its line
    return (u) => {
      const { ctx, bbox } = u, dpr = devicePixelRatio; let free = [-1e9, -1e9];
      ctx.save(); ctx.font = `${13 * dpr}px system-ui, sans-serif`; ctx.textAlign = "left"; ctx.textBaseline = "top"; ctx.lineWidth = dpr;
      for (const mark of plot.marks) {
        const x = Math.round(u.valToPos(mark.x, "x", true));
        if (x < bbox.left || x > bbox.left + bbox.width) continue;
        ctx.strokeStyle = ctx.fillStyle = colour("--act"); ctx.setLineDash([4 * dpr, 4 * dpr]);
        ctx.beginPath(); ctx.moveTo(x, bbox.top); ctx.lineTo(x, bbox.top + bbox.height); ctx.stroke();
        const wide = ctx.measureText(mark.label).width, at = Math.min(x + 4 * dpr, bbox.left + bbox.width - wide);
        const row = free.findIndex((end) => end < at);
        if (row >= 0) { ctx.fillText(mark.label, at, bbox.top - (30 - 15 * row) * dpr); free[row] = at + wide + 8 * dpr; }
      }
      ctx.restore();
    };
  }
  function draw(place, plot) {
    const at = byId(place);
    if (!at || !window.uPlot || !plot) return;
    const old = plots.get(place); if (old) { old.chart.destroy(); old.watch.disconnect(); }
    at.setAttribute("role", "img"); at.setAttribute("aria-label", plot.said);
    const soft = colour("--soft"), line = colour("--line"), font = "13px system-ui, sans-serif", low = at.classList.contains("low");
    const axis = { stroke: soft, font, labelFont: font, ticks: { stroke: line }, grid: { stroke: line, width: 1 } };
    const size = () => ({ width: Math.max(at.clientWidth, 200), height: low ? 190 : Math.min(340, Math.max(240, at.clientWidth * .42)) });
    const series = plot.series.map((one) => one.kind === "line"
      ? { label: one.label, stroke: () => colour(strokes[one.side]), width: 2, dash: one.dashed ? [7, 4] : undefined, spanGaps: true, points: { show: false } }
      : { label: one.label, points: { show: false }, paths: one.kind === "value" ? values(one.side, one.low, one.high) : points(one.side) });
    const pad = plot.dates && plot.x.length ? Math.max((plot.x[plot.x.length - 1] - plot.x[0]) * .04, 43200) : 0;
    const chart = new uPlot({
      ...size(), padding: [plot.marks.length ? 34 : 10, 14, 0, 0], legend: { show: false }, cursor: { show: false }, drawOrder: ["axes", "series"],
      scales: { x: { time: !!plot.dates, range: (u, min, max) => plot.dates ? [min - pad, max + pad] : min === max ? [min - 1, max + 1] : [min, max] },
                y: { range: () => plot.yRange, ...(plot.bent ? { distr: 4, asinh: plot.bent } : {}) } },
      axes: [{ ...axis, label: plot.xLabel || undefined, labelSize: plot.xLabel ? 22 : 0, size: 34, space: 76, ...(plot.dates ? { values: (u, at, axis, space, step) => at.map((one) => new Date(one * 1000).toLocaleString([], step < 86400 ? { hour: "2-digit", minute: "2-digit" } : { day: "numeric", month: "short" })) } : {}) }, { ...axis, label: plot.yLabel, labelSize: 22, size: 54, space: 34, ...(plot.yTicks ? { splits: () => plot.yTicks, values: () => plot.yTicks.map(String), filter: (u, at) => at } : {}) }],
      series: [{}, ...series], hooks: { drawAxes: [under(plot)], draw: [over(plot)] },
    }, [plot.x, ...plot.series.map((one) => one.y)], at);
    const watch = new ResizeObserver(() => chart.setSize(size()));
    watch.observe(at); plots.set(place, { chart, plot, watch });
    at.dataset.drawn = String(plot.x.length);
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => plots.forEach(({ plot }, place) => draw(place, plot)));
  function drawAll(root) {
    for (const holder of root.querySelectorAll("template[data-plot]")) draw(holder.dataset.plot, JSON.parse(holder.innerHTML ? holder.content.textContent : "null"));
  }

  // ---- a tone between beats, off by default; the server sends its pitch
  let sound = null;
  function tone(hz) {
    if (!sound || !hz) return;
    const now = sound.currentTime, voice = sound.createOscillator(), level = sound.createGain();
    voice.frequency.value = hz; level.gain.setValueAtTime(0, now); level.gain.linearRampToValueAtTime(.2, now + .03); level.gain.linearRampToValueAtTime(0, now + .35);
    voice.connect(level).connect(sound.destination); voice.start(now); voice.stop(now + .4);
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-tone]");
    if (!button) return;
    if (sound) { sound.close(); sound = null; } else sound = new AudioContext();
    button.setAttribute("aria-pressed", String(!!sound)); button.textContent = `Tone between beats: ${sound ? "on" : "off"}`;
  });

  // ---- the stream: rejoins automatically after the last change that was seen
  let stream = null, last = body.dataset.since, quiet = 0, tries = 0;
  const topics = body.dataset.topics;
  function lost(since) {
    const at = byId("lost"); at.hidden = !since;
    if (since) at.textContent = `The connection to torsionbeat was lost at ${since}. What is being listened to goes on there; this page joins again by itself.`;
  }
  function join() {
    stream = new EventSource(`/events?topics=${encodeURIComponent(topics)}&since=${encodeURIComponent(last)}`);
    stream.onopen = () => { quiet = 0; tries = 0; lost(""); };
    stream.onerror = () => {
      quiet = quiet || Date.now();
      lost(new Date(quiet).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" }));
      stream.close(); setTimeout(join, Math.min(1000 * 1.5 ** tries++, 10000));
    };
    const on = (kind, act) => stream.addEventListener(kind, (event) => { last = event.lastEventId; body.dataset.seen = last; act(JSON.parse(event.data)); });
    on("show", ({ place, html }) => {
      const at = byId(place);
      if (!at) return;
      at.innerHTML = html;
      for (const field of at.querySelectorAll("input[name=token]")) field.value = token();
      if (window.htmx) htmx.process(at);
      drawAll(at);
    });
    on("plot", ({ place, plot }) => draw(place, plot));
    on("notice", ({ text }) => { const at = byId("notices"); if (at) { const line = document.createElement("p"); line.textContent = text; at.append(line); } });
    on("beat", ({ shift, hz, fresh }) => {
      const mark = byId("beat-mark"); if (mark) mark.setAttribute("transform", `translate(${shift} 0)`);
      if (fresh) tone(hz);
    });
  }

  // ---- recordings: uploaded unchanged, one after the other
  function send(file, list) {
    return new Promise((done) => {
      const row = document.createElement("li"), name = document.createElement("span"), bar = document.createElement("progress"), off = document.createElement("button");
      name.textContent = file.name; off.textContent = "Cancel"; off.className = "slight"; off.type = "button"; bar.max = 1; bar.value = 0; bar.setAttribute("aria-label", `Sending ${file.name}`);
      row.append(name, bar, off); list.append(row);
      const request = new XMLHttpRequest();
      const fail = (why) => { bar.remove(); off.remove(); const said = document.createElement("p"); said.className = "wrong"; said.textContent = why; row.append(said); done(); };
      off.addEventListener("click", () => request.abort());
      request.upload.onprogress = (event) => { if (event.lengthComputable) bar.value = event.loaded / event.total; };
      request.onload = () => { if (request.status === 200) { row.remove(); done(request.responseText); } else fail(request.responseText.slice(0, 400)); };
      request.onerror = () => fail("The connection was lost while it was sent; nothing of it was kept. Send it again.");
      request.onabort = () => { row.remove(); done(); };
      request.open("POST", `/recordings?name=${encodeURIComponent(file.name)}&began=${Math.round(file.lastModified / 1000)}&clock=${encodeURIComponent(list.dataset.clock || (byId("clock-of") || {}).value || "")}`);
      request.setRequestHeader("X-Token", token()); request.setRequestHeader("Content-Type", "application/octet-stream");
      request.send(file);
    });
  }
  async function sendAll(files) {
    const list = byId("sending"); let path = "";
    for (const file of files) path = (await send(file, list)) || path;
    if (path) location.assign(files.length > 1 ? "/recordings" : path);
  }
  function readyDrops(root) {
    for (const drop of root.querySelectorAll(".drop")) {
      const field = drop.querySelector("input[type=file]");
      drop.addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
      drop.addEventListener("dragleave", () => drop.classList.remove("over"));
      drop.addEventListener("drop", (event) => { event.preventDefault(); drop.classList.remove("over"); sendAll([...event.dataTransfer.files]); });
      if (field) field.addEventListener("change", () => { sendAll([...field.files]); field.value = ""; });
    }
  }
  addEventListener("dragover", (event) => event.preventDefault()); addEventListener("drop", (event) => event.preventDefault());
  document.addEventListener("click", (event) => { if (event.target.closest("[data-print]")) print(); });
  document.addEventListener("htmx:afterSwap", (event) => drawAll(event.target));
  document.addEventListener("submit", (event) => { const button = event.target.querySelector("button:not([type=button])"); if (button) setTimeout(() => { button.disabled = true; setTimeout(() => { button.disabled = false; }, 4000); }); });
  drawAll(document); readyDrops(document); if (topics) join();
  body.dataset.ready = "yes";
})();
