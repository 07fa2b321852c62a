(() => {
  "use strict";

  const PAPER_WIDTH = 690;
  const PAPER_SIZES = { state: 10.5, "at the left": 7 };
  const SHORTER = 0.76;
  const PAPER_HEIGHT = 860;
  const NARROW = 620;
  // How the command line asks for paper: #print-A4, #print-everything-Letter.
  const ASKED = /^#print-(everything-)?(A4|Letter)$/.exec(location.hash);
  const read = (id) => {
    const holder = document.getElementById(id);
    return holder ? JSON.parse(holder.textContent) : null;
  };
  const store = read("figure-data") || { arrays: [], figures: {} };
  const toDark = new Map(Object.entries(read("palette") || {}));
  const darkScheme = matchMedia("(prefers-color-scheme: dark)");
  const coarse = matchMedia("(pointer: coarse)").matches;
  const hosts = [...document.querySelectorAll(".plot")];
  const drawn = new Set();
  let onPaper = false;

  // Figures: put shared arrays back, and exchange the light colours for dark ones.
  const built = (node, dark) => {
    if (typeof node === "string") return (dark && toDark.get(node)) || node;
    if (Array.isArray(node)) return node.map((item) => built(item, dark));
    if (node === null || typeof node !== "object") return node;
    if ("$" in node) return built(store.arrays[node.$], dark);
    return Object.fromEntries(Object.entries(node).map(([k, v]) => [k, built(v, dark)]));
  };

  // On a narrow screen what stands beside the panels moves into them.
  const narrowed = (layout) => {
    const states = new Set((layout.annotations || []).filter((note) => note.name === "state").map((note) => note.y));
    const lanes = (layout.annotations || []).some((note) => note.name === "at the left");
    layout.margin.l = Math.min(layout.margin.l, lanes ? 98 : 46);
    layout.margin.r = Math.min(layout.margin.r, 8);
    for (const note of layout.annotations || []) {
      if ((note.name || "").startsWith("at the right")) {
        const yanchor = note.name.endsWith("below") ? "top" : "bottom";
        Object.assign(note, { xanchor: "right", yanchor, xshift: 0, font: { ...note.font, size: 10 } });
      } else if (note.name === "at the left") {
        note.font = { ...note.font, size: 10 };
      } else if (note.name === "heading" && states.has(note.y)) {
        note.text = note.text.replace(/<\/b>.*/, "</b>");
      }
    }
  };

  // Dates stay level: as many as the width holds.
  const thinned = (axis, width) => {
    const most = Math.max(3, Math.floor((width - 200) / 90));
    if (axis && axis.nticks) axis.nticks = most;
    if (axis && axis.tickvals && axis.tickvals.length > most) {
      const step = Math.ceil(axis.tickvals.length / most);
      const kept = (list) => list.filter((_, at) => at % step === 0);
      Object.assign(axis, { tickvals: kept(axis.tickvals), ticktext: kept(axis.ticktext) });
    }
  };

  // On paper charts are lower, so that two find room on a sheet, and none is higher than a sheet.
  const lowered = (layout) => {
    const inner = () => layout.height - layout.margin.t - layout.margin.b;
    const before = inner();
    const shorter = layout.meta?.paper && !whole() ? SHORTER : 1;
    layout.height = Math.round(Math.min(layout.height * (layout.meta?.paper || 1) * shorter, PAPER_HEIGHT));
    if (layout.legend?.y < 0) layout.legend.y *= before / inner();
    if (layout.legend) layout.legend.font = { ...layout.legend.font, size: 8.5 };
    for (const axis of Object.keys(layout).filter((key) => /^[xy]axis/.test(key))) {
      layout[axis].tickfont = { ...layout[axis].tickfont, size: 9 };
    }
    for (const note of layout.annotations || []) {
      if (note.font?.size > 9 || !note.font?.size) note.font = { ...note.font, size: 9 };
      if (note.name) note.font = { ...note.font, size: PAPER_SIZES[note.name] || 9 };
    }
    if (layout.meta?.paper) Object.assign(layout.margin, { l: Math.min(layout.margin.l, 94), r: 100 });
  };

  const root = document.documentElement;
  const whole = () => root.dataset.print === "whole" || !document.querySelector(".long");
  const widthOf = (host) => (onPaper ? PAPER_WIDTH : host.clientWidth);

  const figureOf = (host, { dark, width }) => {
    const figure = built(store.figures[host.id], dark);
    const { layout } = figure;
    layout.width = width;
    if (layout.meta?.aspect) layout.height = Math.round(width * layout.meta.aspect);
    thinned(layout.xaxis, width);
    if (onPaper) lowered(layout);
    if (width < NARROW && !host.closest(".wide")) narrowed(layout);
    if (coarse && !("solid" in host.dataset)) layout.dragmode = false;
    return figure;
  };

  const config = { displayModeBar: false, scrollZoom: false, showTips: false };

  const draw = (host) => {
    const width = widthOf(host);
    if (!store.figures[host.id] || width === 0) return;
    const { data, layout } = figureOf(host, { dark: darkScheme.matches && !onPaper, width });
    host.style.height = `${layout.height}px`;
    Plotly.react(host, data, layout, config);
    host.dataset.width = width;
    drawn.add(host);
  };

  const folded = (host) => host.closest("details:not([open])") !== null;
  const drawIfNew = (host) => {
    if (!drawn.has(host) && !folded(host) && !(onPaper && "solid" in host.dataset)) draw(host);
  };

  const save = (host, format) => {
    const figure = figureOf(host, { dark: false, width: 1000 });
    const shown = { ...figure.layout, paper_bgcolor: "#ffffff" };
    shown.margin = { ...shown.margin, t: shown.margin.t + 34 };
    shown.height += 34;
    shown.title = { text: escaped(host.dataset.title), x: 0.012, xanchor: "left", y: 1, yref: "container",
      yanchor: "top", pad: { t: 12 }, font: { size: 16 } };
    if (host._fullLayout?.scene) shown.scene = { ...shown.scene, camera: host._fullLayout.scene.camera };
    return Plotly.downloadImage({ data: figure.data, layout: shown, config },
      { format, width: 1000, height: shown.height, filename: fileName(host.dataset.title), scale: format === "png" ? 2 : 1 });
  };

  const escaped = (text) => text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");
  const fileName = (text) => text.replace(/[^\p{L}\p{N}._-]+/gu, "-").replace(/^[-.]+|[-.]+$/g, "") || "spc";

  // Tables as CSV (RFC 4180). Text that a spreadsheet would run as a formula is kept as text.
  const quoted = (text) => {
    const risky = /^[=+\-@\t\r]/.test(text) && !/^[+-]?[\d.]+(e[+-]?\d+)?$/i.test(text);
    const safe = risky ? `'${text}` : text;
    return /[",\r\n]/.test(safe) ? `"${safe.replace(/"/g, '""')}"` : safe;
  };
  const csvOf = (table) => [...table.rows].map((row) =>
    [...row.cells].map((cell) => quoted(cell.dataset.value ?? cell.textContent.trim())).join(",")).join("\r\n") + "\r\n";

  const saveCsv = (table) => {
    // The mark at the front tells spreadsheets that the file is UTF-8.
    const blob = new Blob(["\ufeff", csvOf(table)], { type: "text/csv;charset=utf-8" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = `${fileName(`${document.title} ${table.id}`)}.csv`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  };

  const button = (text, label, act) => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    made.setAttribute("aria-label", label);
    made.addEventListener("click", act);
    return made;
  };
  const tools = (after, buttons) => {
    const row = document.createElement("div");
    row.className = "tools";
    row.append(...buttons);
    after.after(row);
  };

  const EYES = { "From above": [0, 0, 2.1, 0, 1, 0], "From the front": [0, 2.1, 0.25, 0, 0, 1],
    "From the side": [2.1, 0, 0.25, 0, 0, 1], "At a slant": [1.5, -1.6, 1.1, 0, 0, 1] };
  const turned = (host, [x, y, z, ux, uy, uz]) => {
    if (!drawn.has(host)) return;
    Plotly.relayout(host, { "scene.camera": { eye: { x, y, z }, up: { x: ux, y: uy, z: uz }, center: { x: 0, y: 0, z: 0 } } });
  };

  for (const table of document.querySelectorAll("table[id]")) {
    const name = table.caption ? table.caption.textContent : table.id;
    tools(table.closest(".scroll") || table, [button("Save as CSV", `Save the table as CSV: ${name}`, () => saveCsv(table))]);
  }
  for (const host of hosts) {
    const title = host.dataset.title;
    const turns = "solid" in host.dataset
      ? Object.entries(EYES).map(([name, eye]) => button(name, `${name}: ${title}`, () => turned(host, eye))) : [];
    tools(host.parentElement, [...turns,
      button("Save as SVG", `Save the figure as SVG: ${title}`, () => save(host, "svg")),
      button("Save as PNG", `Save the figure as PNG: ${title}`, () => save(host, "png"))]);
  }

  // Folded figures are drawn when they are opened.
  for (const part of document.querySelectorAll("details")) {
    part.addEventListener("toggle", () => { if (part.open) part.querySelectorAll(".plot").forEach(drawIfNew); });
  }
  const openTarget = () => {
    const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    for (let part = target.closest("details"); part; part = part.parentElement.closest("details")) part.open = true;
    target.scrollIntoView();
  };
  addEventListener("hashchange", openTarget);
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href^='#']");
    if (link && link.hash === location.hash) openTarget();
  });

  darkScheme.addEventListener("change", () => drawn.forEach(draw));
  let waiting = 0;
  addEventListener("resize", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      if (!onPaper) drawn.forEach((host) => { if (host.clientWidth && host.clientWidth !== +host.dataset.width) draw(host); });
    }, 120);
  });

  // Paper: figures drawn in light colours at the width of a sheet. The short print leaves out what
  // is marked as long, unless the reader has opened it; a whole one opens everything.
  let closed = [];
  let asked = [];
  const printed = (part) => !part.closest(".screen") && (whole() || !part.closest(".long:not(.asked), .spare"));
  const withParents = (part) => {
    const above = part.parentElement.closest(".long");
    return above ? [part, ...withParents(above)] : [part];
  };
  const toPaper = () => {
    if (onPaper) return;
    onPaper = true;
    asked = whole() ? [] : [...document.querySelectorAll("details.long[open]")].flatMap(withParents);
    asked.forEach((part) => part.classList.add("asked"));
    closed = [...document.querySelectorAll("details:not([open])")].filter(printed);
    closed.forEach((part) => { part.open = true; });
    hosts.filter(printed).forEach(draw);
  };
  const fromPaper = () => {
    if (!onPaper) return;
    onPaper = false;
    asked.forEach((part) => part.classList.remove("asked"));
    closed.forEach((part) => { part.open = false; });
    drawn.forEach((host) => { if (!folded(host)) draw(host); else { Plotly.purge(host); drawn.delete(host); } });
  };
  addEventListener("beforeprint", toPaper);
  addEventListener("afterprint", () => { fromPaper(); if (!ASKED?.[1]) delete root.dataset.print; });
  if (ASKED) {
    if (ASKED[1]) root.dataset.print = "whole";
    const sheet = document.createElement("style");
    sheet.textContent = `@page{size:${ASKED[2]}}`;
    document.head.append(sheet);
  }
  const printWhole = () => { root.dataset.print = "whole"; print(); };
  if (document.querySelector(".long")) {
    const row = document.createElement("div");
    row.className = "tools";
    row.append(button("Print in short", "Print a short form of this page, a few sheets", () => print()),
      button("Print everything", "Print this page with every chart and table", printWhole));
    document.querySelector("header").append(row);
  }

  openTarget();
  hosts.forEach(drawIfNew);
  document.documentElement.dataset.ready = "yes";
})();
