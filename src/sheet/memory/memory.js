"use strict";
(() => {
  const data = JSON.parse(document.getElementById("places").textContent);
  const tell = document.querySelector(".tell");
  let first = 0;
  for (const chip of data.chips) { chip.first = first; first += chip.words * chip.width; }
  const owners = new Int32Array(first).fill(-1);
  let base = 0;
  for (const area of data.areas) {
    area.base = base;
    area.at = [];
    for (const run of area.runs.split(" ").filter(Boolean)) {
      const [from, step, count] = run.split(",").map((x) => parseInt(x, 36));
      for (let i = 0; i < count; i++) area.at.push(from + step * i);
    }
    area.at.forEach((bit, i) => { owners[bit] = base + i; });
    base += area.at.length;
  }
  const hex = (n, digits) => n.toString(16).toUpperCase().padStart(digits, "0");
  function owner(bit) {
    const i = owners[bit];
    if (i < 0) return "no value of the layout";
    const area = data.areas.findLast((a) => a.base <= i);
    const at = (i - area.base) % area.bits;
    const entry = area.entries[Math.floor((i - area.base) / area.bits)];
    const field = area.fields.find(([, from, width]) => at >= from && at < from + width);
    return `${entry}, ${field ? `${field[0]}, bit ${at - field[1]}` : `bit ${at}`}`;
  }
  function holds(chip, cell, line) {
    if (!chip.value) return "";
    if (chip.known && !(parseInt(chip.known.substr(cell * 2, 2), 16) >> line & 1)) return ", not known";
    return `, holds ${parseInt(chip.value.substr(cell * 2, 2), 16) >> line & 1}`;
  }
  function words(bit) {
    const chip = data.chips.findLast((c) => c.first <= bit);
    const cell = Math.floor((bit - chip.first) / chip.width), line = (bit - chip.first) % chip.width;
    return `${chip.id} cell ${hex(cell, 3)} D${line}${holds(chip, cell, line)}: ${owner(bit)}`;
  }
  for (const svg of document.querySelectorAll("svg[data-chip],svg[data-area]")) {
    const flat = "chip" in svg.dataset;
    const chip = data.chips[svg.dataset.chip], area = data.areas[svg.dataset.area];
    const across = flat ? 1 : +svg.dataset.across, down = flat ? 1 : +svg.dataset.down;
    const columns = flat ? +svg.dataset.cols : area.entries.length;
    const rows = flat ? Math.ceil(chip.words / columns) : area.bits;
    // Row of the picture to bit of the entry: each field has its most significant bit on top.
    const order = flat ? [] : area.fields.flatMap(([, from, width]) => Array.from({ length: width }, (_, i) => from + width - 1 - i));
    const cursor = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    cursor.setAttribute("class", "cur");
    cursor.setAttribute("vector-effect", "non-scaling-stroke");
    cursor.setAttribute("width", across);
    cursor.setAttribute("height", down);
    let x = 0, y = 0;
    const show = () => {
      const bit = flat ? chip.first + (y * columns + x) * chip.width + +svg.dataset.line : area.at[x * area.bits + order[y]];
      if (bit === undefined || (flat && y * columns + x >= chip.words)) return;
      cursor.setAttribute("x", x * across);
      cursor.setAttribute("y", y * down);
      svg.append(cursor);
      tell.hidden = false;
      tell.textContent = words(bit);
    };
    const hide = () => { cursor.remove(); tell.hidden = true; };
    svg.setAttribute("tabindex", "0");
    svg.setAttribute("aria-description", "Arrow keys move from bit to bit.");
    svg.addEventListener("pointermove", (e) => {
      const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(svg.getScreenCTM().inverse());
      const cx = Math.floor(p.x / across), cy = Math.floor(p.y / down);
      if (cx < 0 || cy < 0 || cx >= columns || cy >= rows) return hide();
      [x, y] = [cx, cy];
      show();
    });
    svg.addEventListener("pointerleave", hide);
    svg.addEventListener("focus", show);
    svg.addEventListener("blur", hide);
    svg.addEventListener("keydown", (e) => {
      const move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (!move) return;
      e.preventDefault();
      x = Math.min(columns - 1, Math.max(0, x + move[0]));
      y = Math.min(rows - 1, Math.max(0, y + move[1]));
      show();
    });
  }
})();
