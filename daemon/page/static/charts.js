"use strict";
/* Draws the normalized trends of a train: a chart for each quantity, a line for each section,
   the limit, and the marks of notices. Gaps stay gaps. */
(() => {
  const root = document.getElementById("trends");
  if (!root) return;
  const zone = root.dataset.zone;
  const ink = { axis: "#3e4748", grid: "#dcdcd5", zero: "#8b908b", limit: "#161c1d", sheet: "#f7f6f2" };
  const strokes = { 1: "#1f4f63", 2: "#9a5b12", 3: "#5d4a86", train: "#1f4f63" };
  const priorities = { high: "#8f1326", medium: "#6f3b00", low: "#244a73" };
  let days = Number(root.dataset.days);
  let plots = [];
  let turn = 0;

  function signed(v) {
    if (v == null) return "–";
    const text = Math.abs(v).toFixed(1);
    return Number(text) === 0 ? "0.0 %" : `${v < 0 ? "−" : "+"}${text} %`;
  }

  /* Values beyond the axis, such as a spike after a start, are marked at its edge. */
  function beyond(u, chart) {
    const { ctx } = u;
    const dots = devicePixelRatio;
    const { top, height } = u.bbox;
    ctx.save();
    for (const line of chart.lines) {
      ctx.fillStyle = strokes[line.section] || "#3d4a2f";
      line.values.forEach((v, i) => {
        if (v == null || (v >= chart.low && v <= chart.high)) return;
        const up = v > chart.high ? 1 : -1;
        const x = u.valToPos(u.data[0][i], "x", true);
        const y = up > 0 ? top : top + height;
        ctx.beginPath();
        ctx.moveTo(x, y);
        ctx.lineTo(x - 4 * dots, y + up * 7 * dots);
        ctx.lineTo(x + 4 * dots, y + up * 7 * dots);
        ctx.closePath();
        ctx.fill();
      });
    }
    ctx.restore();
  }

  function level(u, value, color, dash, width) {
    const y = u.valToPos(value, "y", true);
    const { left, width: w } = u.bbox;
    u.ctx.strokeStyle = color;
    u.ctx.lineWidth = width * devicePixelRatio;
    u.ctx.setLineDash(dash.map((d) => d * devicePixelRatio));
    u.ctx.beginPath();
    u.ctx.moveTo(left, y);
    u.ctx.lineTo(left + w, y);
    u.ctx.stroke();
    return y;
  }

  /* Each line carries its name at its end: no colors to look up. Names keep clear of each other. */
  function names(u, chart) {
    const { ctx } = u;
    const dots = devicePixelRatio;
    const step = 15 * dots;
    const found = [];
    for (const line of chart.lines) {
      let last = line.values.length - 1;
      while (last >= 0 && line.values[last] == null) last -= 1;
      const shown = Math.min(chart.high, Math.max(chart.low, line.values[last]));
      if (last >= 0) found.push({ line, y: u.valToPos(shown, "y", true) });
    }
    found.sort((a, b) => a.y - b.y);
    for (let k = 1; k < found.length; k++) found[k].y = Math.max(found[k].y, found[k - 1].y + step);
    ctx.save();
    ctx.font = `600 ${12 * dots}px ${getComputedStyle(root).fontFamily}`;
    ctx.textAlign = "left";
    ctx.textBaseline = "middle";
    for (const { line, y } of found) {
      ctx.fillStyle = strokes[line.section] || "#3d4a2f";
      ctx.fillText(line.title, u.bbox.left + u.bbox.width + 6 * dots, y);
    }
    ctx.restore();
  }

  function shape(ctx, event, priority, x, y, r) {
    ctx.beginPath();
    if (event === "cleared") ctx.arc(x, y, r * 0.8, 0, 2 * Math.PI);
    else if (priority === "medium") { ctx.moveTo(x - r, y - r); ctx.lineTo(x + r, y - r); ctx.lineTo(x, y + r); ctx.closePath(); }
    else if (priority === "low") ctx.arc(x, y, r, 0, 2 * Math.PI);
    else { ctx.moveTo(x, y - r * 1.2); ctx.lineTo(x + r * 1.2, y); ctx.lineTo(x, y + r * 1.2); ctx.lineTo(x - r * 1.2, y); ctx.closePath(); }
    if (event === "cleared" || priority === "low") { ctx.fillStyle = ink.sheet; ctx.fill(); ctx.stroke(); } else ctx.fill();
  }

  function drawing(chart, marks) {
    return {
      hooks: {
        drawAxes: [(u) => {
          u.ctx.save();
          level(u, 0, ink.zero, [], 1.5);
          const y = level(u, chart.limit, ink.limit, [7, 4], 1.5);
          u.ctx.setLineDash([]);
          u.ctx.fillStyle = ink.limit;
          u.ctx.font = `${12 * devicePixelRatio}px ${getComputedStyle(root).fontFamily}`;
          u.ctx.textAlign = "left";
          u.ctx.textBaseline = chart.limit < 0 ? "top" : "bottom";
          u.ctx.fillText(`limit ${chart.limit_text}`, u.bbox.left + 6 * devicePixelRatio, y + (chart.limit < 0 ? 3 : -3) * devicePixelRatio);
          u.ctx.restore();
        }],
        draw: [(u) => {
          const { ctx } = u;
          ctx.save();
          const { left, top, width, height } = u.bbox;
          const dots = devicePixelRatio;
          for (const mark of marks) {
            const x = u.valToPos(mark.at, "x", true);
            if (x < left || x > left + width) continue;
            const color = mark.event === "cleared" ? ink.axis : priorities[mark.priority];
            ctx.strokeStyle = color;
            ctx.fillStyle = color;
            ctx.lineWidth = 1.5 * dots;
            ctx.setLineDash([2 * dots, 3 * dots]);
            ctx.beginPath();
            ctx.moveTo(x, top);
            ctx.lineTo(x, top + height);
            ctx.stroke();
            ctx.setLineDash([]);
            shape(ctx, mark.event, mark.priority, x, top + 7 * dots, 6 * dots);
          }
          ctx.restore();
          beyond(u, chart);
          names(u, chart);
        }],
        setCursor: [(u) => u.root.parentElement.classList.toggle("pointed", u.cursor.idx != null)],
      },
    };
  }

  /* A digest between two gaps has no line to lie on: show it as a dot. */
  function lonely(u, series) {
    const data = u.data[series];
    const [from, to] = u.series[0].idxs;
    const found = [];
    for (let i = from; i <= to; i++) {
      if (data[i] != null && data[i - 1] == null && data[i + 1] == null) found.push(i);
    }
    return found;
  }

  function draw(holder, chart, trends) {
    const box = holder.querySelector(".plot");
    box.replaceChildren();
    box.setAttribute("aria-label", `${chart.title}: ${chart.summary}`);
    holder.querySelector("figcaption").textContent = chart.summary;
    const stamp = uPlot.fmtDate("{D} {MMM} {YYYY} {HH}:{mm}");
    const size = () => ({ width: Math.max(260, box.clientWidth), height: innerWidth < 760 ? 230 : 260 });
    const axis = { stroke: ink.axis, font: `12px ${getComputedStyle(root).fontFamily}`, grid: { stroke: ink.grid, width: 1 }, ticks: { stroke: ink.grid, width: 1 } };
    const plot = new uPlot({
      ...size(),
      tzDate: (at) => uPlot.tzDate(new Date(at * 1000), zone),
      padding: [null, 68, null, null],
      cursor: { drag: { setScale: false }, points: { size: 7 } },
      scales: { x: { time: true, range: [trends.begin, trends.end] }, y: { range: [chart.low, chart.high] } },
      axes: [
        { ...axis, size: 42, space: 70, values: [
          [86400 * 28, "{MMM}\n{YYYY}", null, null, null, null, null, null, 1],
          [86400, "{D} {MMM}", null, null, null, null, null, null, 1],
          [3600, "{HH}:{mm}", "\n{D} {MMM}", null, null, null, null, null, 1],
          [1, "{HH}:{mm}:{ss}", "\n{D} {MMM}", null, null, null, null, null, 1],
        ] },
        { ...axis, size: 68, values: (u, ticks) => ticks.map((v) => `${v < 0 ? "−" : v > 0 ? "+" : ""}${Math.abs(v)} %`) },
      ],
      series: [
        { label: "Time", value: (u, at) => (at == null ? "–" : stamp(uPlot.tzDate(new Date(at * 1000), zone))) },
        ...chart.lines.map((line) => ({
          label: line.title,
          stroke: strokes[line.section] || "#3d4a2f",
          width: 1.6,
          spanGaps: false,
          points: { show: false, size: 5, filter: lonely },
          value: (u, v) => signed(v),
        })),
      ],
      plugins: [drawing(chart, trends.marks)],
    }, [trends.times, ...chart.lines.map((line) => line.values)], box);
    return { plot, size };
  }

  async function load(wanted) {
    const mine = ++turn;
    const holders = [...root.querySelectorAll("[data-quantity]")];
    const answer = await fetch(`${root.dataset.trends}?days=${wanted}`, { cache: "no-store" });
    if (!answer.ok) throw new Error(`status ${answer.status}`);
    const trends = await answer.json();
    if (mine !== turn) return; // a later choice has overtaken this one
    for (const { plot } of plots) plot.destroy();
    plots = [];
    for (const holder of holders) {
      const chart = trends.charts.find((c) => c.quantity === holder.dataset.quantity);
      if (chart.lines.length) plots.push(draw(holder, chart, trends));
    }
    days = wanted;
    root.dataset.days = String(days);
    root.dataset.drawn = String(Number(root.dataset.drawn || 0) + 1);
    for (const link of root.querySelectorAll("[data-range]")) {
      if (Number(link.dataset.range) === days) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    }
  }

  function attempt(wanted, key) {
    load(wanted).then(() => { if (key) root.dataset.key = key; }).catch((error) => {
      console.warn("trends failed:", error.message);
      for (const box of root.querySelectorAll(".plot")) {
        if (!box.childElementCount) box.textContent = "The chart could not be loaded. It is tried again with the next change.";
      }
    });
  }

  root.addEventListener("click", (event) => {
    const link = event.target.closest("[data-range]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    const wanted = Number(link.dataset.range);
    history.replaceState(null, "", `?days=${wanted}`);
    attempt(wanted);
  });
  document.addEventListener("page:news", (event) => {
    if (event.detail.trend_key !== root.dataset.key) attempt(days, event.detail.trend_key);
  });
  let waiting = 0;
  addEventListener("resize", () => {
    cancelAnimationFrame(waiting);
    waiting = requestAnimationFrame(() => { for (const { plot, size } of plots) plot.setSize(size()); });
  });
  attempt(days);
})();
