"use strict";
(() => {
  const facts = JSON.parse(document.getElementById("facts").textContent);
  const byId = (id) => document.getElementById(id);
  const hex = (value, digits = 8) => value.toString(16).toUpperCase().padStart(digits, "0");
  const address = (value) => "0x" + hex(value).replace(/(....)$/, "_$1");
  const range = (start, size) => address(start) + ".." + address(start + Math.max(size, 1) - 1);
  const count = (value) => value.toLocaleString("en-US") + (value === 1 ? " byte" : " bytes");

  /** An element with text or elements in it: text is never read as markup. */
  function make(tag, attributes, ...content) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) made.setAttribute(name, value);
    made.append(...content);
    return made;
  }

  async function unpacked(text) {
    const bytes = Uint8Array.from(atob(text), (char) => char.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  // Symbols: unpacked once, kept by build in columns, by ascending plain run address.
  let symbols = [];
  const ready = (async () => {
    symbols = JSON.parse(new TextDecoder().decode(await unpacked(byId("symbols").textContent)));
    for (const build of symbols) {
      let at = 0;
      build.start = build.start.map((distance) => (at += distance));
      build.lower = build.name.map((name) => name.toLowerCase());
    }
    performance.mark("ready");
  })();

  /** The first index whose start is above `value`. */
  function after(starts, value) {
    let low = 0, high = starts.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (starts[middle] <= value) low = middle + 1; else high = middle;
    }
    return low;
  }

  /** The plain run address of what a build stores at a plain address, where it runs elsewhere; else the address. */
  function runOf(build, plain) {
    for (const [run, stored, size] of build.moved)
      if (plain >= stored && plain < stored + size) return plain - stored + run;
    return plain;
  }

  /** [build, index, offset] of the symbol that holds a plain address, in each build that has one. */
  function symbolsAt(plain) {
    const found = [];
    for (const build of symbols) {
      const run = runOf(build, plain), end = after(build.start, run);
      for (let at = end - 1; at >= Math.max(0, end - 64); at--) {
        const offset = run - build.start[at];
        if (offset < build.size[at] || (offset === 0 && !build.size[at])) { found.push([build, at, offset]); break; }
      }
    }
    return found;
  }

  const memoryAt = (plain) => facts.memories.find((each) => plain >= each.start && plain < each.start + each.size);
  const startFor = (memory, core) => (Object.hasOwn(memory.views, core) ? memory.views[core] : memory.start);

  /** Where an address falls as a core sees it: [memory, plain address], or null. */
  function seen(value, core) {
    for (const memory of facts.memories)
      for (const start of [startFor(memory, core), ...memory.aliases])
        if (value >= start && value < start + memory.size) return [memory, value - start + memory.start];
    return null;
  }

  function placeWords(plain) {
    const memory = memoryAt(plain);
    if (!memory) return facts.memories.length ? "in no memory" : "";
    const area = memory.areas.find(([, start, size]) => plain >= start && plain < start + size);
    const build = facts.builds.find(([, , start, size]) => plain >= start && plain < start + size);
    return [memory.name, area && area[0], build && "build " + build[0]].filter(Boolean).join(", ");
  }

  const named = ([build, at, offset]) => build.name[at] + (offset ? "+0x" + offset.toString(16) : "");

  // Search
  const MOST = 50;
  const results = byId("results");

  function offered(title, note, start, size) {
    const button = make("button", { type: "button" }, title, make("small", null, note));
    button.addEventListener("click", () => select(start, size, title, note));
    return make("li", null, button);
  }

  function addressResults(text) {
    const digits = text.replace(/_/g, "");
    if (!/^(0x[0-9a-f]{1,8}|[0-9a-f]{4,8})$/i.test(digits)) return [];
    const value = parseInt(digits, 16), rows = [];
    for (const core of facts.cores.length ? facts.cores : [""]) {
      const found = core ? seen(value, core) : [null, value];
      const title = address(value) + (core ? " as " + core + " sees it" : "");
      if (!found) { rows.push(make("li", null, title + ": in no memory")); continue; }
      const names = symbolsAt(found[1]).map((each) => named(each) + " (" + each[0].build + ")");
      rows.push(offered(title, [placeWords(found[1]), ...names, "plain " + address(found[1])].filter(Boolean).join("; "), found[1], 1));
    }
    return rows;
  }

  function nameResults(text) {
    const wanted = text.toLowerCase(), ranked = [[], [], []];
    for (const build of symbols)
      for (let at = 0; at < build.lower.length; at++) {
        const place = build.lower[at].indexOf(wanted);
        if (place < 0) continue;
        const rank = build.lower[at] === wanted ? 0 : place ? 2 : 1;
        if (ranked[rank].length <= MOST) ranked[rank].push([build, at]);
      }
    const all = ranked.flat();
    const rows = all.slice(0, MOST).map(([build, at]) => {
      const start = build.start[at], memory = memoryAt(start);
      const views = facts.cores.map((core) => core + " " + address(memory ? start - memory.start + startFor(memory, core) : start));
      const note = [build.build, count(build.size[at]), ["object", "function", "label", "common"][build.kind[at]],
        build.folders[build.folder[at]], views.join(", ")].join("; ");
      return offered(build.name[at], note, start, Math.max(1, build.size[at]));
    });
    return all.length > MOST ? [...rows, make("li", null, "More symbols match; write more of the name.")] : rows;
  }

  async function search() {
    await ready;
    const text = byId("search").value.trim();
    results.replaceChildren();
    if (!text) return;
    const rows = [...addressResults(text), ...nameResults(text)];
    results.append(rows.length ? make("ul", null, ...rows) : make("p", null, "Nothing has this name or address."));
  }

  let pending = 0;
  byId("search").addEventListener("input", () => { clearTimeout(pending); pending = setTimeout(search, 80); });
  byId("search-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    await search();
    results.querySelector("button")?.click();
  });

  // Details of a stretch of addresses: how each core sees it, its largest symbols, its bytes
  const held = Array.from(document.querySelectorAll("script.bytes"), (each) => ({ start: +each.dataset.start, size: +each.dataset.size, masked: "masked" in each.dataset, each }));

  /** The byte at a plain address: a number, "left out" or null for not held. */
  async function bytesOf(start, size) {
    const values = new Array(size).fill(null);
    for (const [from, length] of facts.leftOut)
      for (let at = Math.max(start, from); at < Math.min(start + size, from + length); at++) values[at - start] = "left out";
    for (const block of held) {
      if (block.start >= start + size || block.start + block.size <= start) continue;
      block.data ||= await unpacked(block.each.textContent);
      for (let at = Math.max(start, block.start); at < Math.min(start + size, block.start + block.size); at++)
        if (!block.masked || block.data[block.size + at - block.start]) values[at - start] = block.data[at - block.start];
    }
    return values;
  }

  const ROWS = 16, PER_ROW = 16;

  async function dump(target, start, from, end) {
    const first = from - from % PER_ROW, size = Math.min(ROWS * PER_ROW, end - first);
    const values = await bytesOf(first, size), pre = make("pre", { class: "dump", tabindex: "0", "aria-label": "Bytes from " + address(first) });
    if (values.every((value) => value === null)) pre.append("The image holds no bytes here.");
    else if (values.every((value) => value === "left out" || value === null)) pre.append("These bytes are left out of this page for its size.");
    else for (let row = 0; row < size; row += PER_ROW) {
      for (let at = row; at < Math.min(size, row + PER_ROW); at++)
        for (const found of symbolsAt(first + at))
          if (found[2] === 0) pre.append(make("b", null, named(found) + " (" + found[0].build + "):"), "\n");
      const bytes = values.slice(row, row + PER_ROW);
      const digits = bytes.map((value) => (value === null ? "--" : value === "left out" ? "??" : hex(value, 2)));
      const text = bytes.map((value) => (value > 31 && value < 127 ? String.fromCharCode(value) : "."));
      pre.append(address(first + row) + "  " + digits.join(" ").padEnd(48) + " " + text.join("") + "\n");
    }
    const turn = (words, to) => {
      const button = make("button", { type: "button" }, words);
      button.disabled = to < start - start % PER_ROW || to >= end;
      button.addEventListener("click", () => dump(target, start, to, end));
      return button;
    };
    target.replaceChildren(pre, turn("◀ before", first - ROWS * PER_ROW), " ", turn("after ▶", first + ROWS * PER_ROW));
  }

  function largest(start, size) {
    const found = [];
    for (const build of symbols)
      for (const [low, high] of [[start, start + size], ...build.moved.map(([run, stored, length]) =>
        [Math.max(start, stored) - stored + run, Math.min(start + size, stored + length) - stored + run])])
        for (let at = after(build.start, low - 1); at < build.start.length && build.start[at] < high; at++)
          if (build.size[at]) found.push([build, at]);
    found.sort((one, other) => other[0].size[other[1]] - one[0].size[one[1]]);
    return found.filter(([build, at], place) => !place || found[place - 1][0] !== build || build.start[found[place - 1][1]] !== build.start[at]);
  }

  function bar(share) {
    const space = "http://www.w3.org/2000/svg", svg = document.createElementNS(space, "svg"), rect = document.createElementNS(space, "rect");
    for (const [name, value] of Object.entries({ class: "bar", width: "100%", height: 8, "aria-hidden": "true" })) svg.setAttribute(name, value);
    rect.setAttribute("width", (100 * share).toFixed(1) + "%");
    rect.setAttribute("height", 8);
    svg.append(rect);
    return svg;
  }

  async function select(start, size, name, note) {
    await ready;
    for (const part of document.querySelectorAll(".part"))
      part.classList.toggle("chosen", +part.dataset.start === start && +part.dataset.size === size);
    const body = byId("details-body"), list = make("dl"), memory = memoryAt(start);
    const say = (term, words) => list.append(make("dt", null, term), make("dd", null, words));
    say("addresses", range(start, size));
    say("size", count(size));
    if (placeWords(start)) say("in", placeWords(start));
    for (const core of memory ? facts.cores : []) say(core + " sees", range(start - memory.start + startFor(memory, core), size));
    if (note) say("what", note);
    byId("details-title").textContent = name;
    byId("details").hidden = false;
    body.replaceChildren(list);
    const own = largest(start, size);
    if (own.length > 1) {
      const top = own[0][0].size[own[0][1]], table = make("tbody");
      for (const [build, at] of own.slice(0, 40)) {
        const button = make("button", { type: "button" }, build.name[at]);
        button.addEventListener("click", () => select(build.start[at], build.size[at], build.name[at], build.build + "; " + build.folders[build.folder[at]]));
        table.append(make("tr", null, make("th", { scope: "row" }, button, make("small", null, build.build + " " + address(build.start[at]))),
          make("td", { class: "right" }, build.size[at].toLocaleString("en-US"), bar(build.size[at] / top))));
      }
      const folders = new Map();
      for (const [build, at] of own) {
        const key = build.build + ": " + build.folders[build.folder[at]];
        folders.set(key, (folders.get(key) || 0) + build.size[at]);
      }
      const rows = [...folders].sort((one, other) => other[1] - one[1]).slice(0, 20).map(([key, bytes]) =>
        make("tr", null, make("th", { scope: "row" }, key), make("td", { class: "right" }, bytes.toLocaleString("en-US"), bar(bytes / [...folders.values()].reduce((sum, each) => sum + each)))));
      const head = (first) => make("thead", null, make("tr", null, make("th", { scope: "col" }, first), make("th", { scope: "col", class: "right" }, "bytes")));
      body.append(make("h3", null, "Source folders"), make("table", null, head("folder"), make("tbody", null, ...rows)),
        make("h3", null, "Largest of " + own.length.toLocaleString("en-US") + " symbols"), make("table", null, head("symbol"), table));
    }
    const target = make("div", { class: "scroll" });
    list.after(make("h3", null, "Bytes"), target);
    await dump(target, start, start, start + size);
    show(start, size);
    byId("details-title").focus();
  }

  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[data-start]");
    if (!link || link.classList.contains("mark") || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    select(+link.dataset.start, +link.dataset.size, link.dataset.name, link.dataset.note || "");
  });

  // Zoom: the same drawing with other places
  const maps = Array.from(document.querySelectorAll("svg.map"), (svg) => ({
    svg, start: +svg.dataset.start, size: +svg.dataset.size, block: +svg.dataset.block || 0, from: +svg.dataset.start, shown: +svg.dataset.size }));

  /** One number for marks that are too near to each other for one each: the first, and how many more. */
  function number(map) {
    const marks = Array.from(map.svg.querySelectorAll(".mark"), (mark) => ({ mark, start: +mark.dataset.start, count: +mark.dataset.count }))
      .filter(({ start }) => start >= map.from && start < map.from + map.shown)
      .sort((one, other) => one.start - other.start);
    const near = (44 / Math.max(map.svg.clientWidth, 1)) * map.shown;
    let first = null;
    for (const each of marks) {
      const text = each.mark.querySelector("text");
      if (first && each.start - first.start < near) {
        first.count += each.count;
        text.textContent = "";
      } else first = each;
      const own = first.mark.querySelector("text");
      const place = (first.start - map.from) / map.shown;
      own.setAttribute("text-anchor", place < 0.1 ? "start" : place > 0.9 ? "end" : "middle");
      own.setAttribute("x", place < 0.1 ? -7 : place > 0.9 ? 7 : 0);
      own.textContent = first.mark.dataset.number + (first.count > 1 ? " +" + (first.count - 1) : "");
    }
  }

  function draw(map) {
    const share = (part) => ((100 * part) / map.shown).toFixed(4) + "%";
    for (const part of map.svg.querySelectorAll("a")) {
      const isMark = part.classList.contains("mark"), start = +part.dataset.start;
      const low = Math.max(start, map.from), high = Math.min(start + +part.dataset.size, map.from + map.shown);
      const inside = isMark ? start >= map.from && start < map.from + map.shown : high > low;
      part.setAttribute("display", inside ? "inline" : "none");
      if (!inside) continue;
      for (const shape of part.querySelectorAll(":scope > rect, :scope > svg, :scope > foreignObject")) {
        shape.setAttribute("x", share(low - map.from));
        if (!isMark) shape.setAttribute("width", share(high - low));
      }
    }
    number(map);
    const ticks = map.svg.querySelectorAll(".tick");
    ticks.forEach((tick, at) => {
      const last = at === ticks.length - 1;
      tick.textContent = address(map.from + Math.floor((map.shown * at) / (ticks.length - 1)) - (last ? 1 : 0));
    });
    for (const line of map.svg.querySelectorAll(".erase")) line.remove();
    if (!map.block || map.shown / map.block > 160) return;
    const y = map.svg.height.baseVal.value - 44;
    for (let at = Math.ceil((map.from - map.start) / map.block) * map.block + map.start; at <= map.from + map.shown; at += map.block) {
      const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
      for (const [name, value] of Object.entries({ class: "erase", x1: share(at - map.from), x2: share(at - map.from), y1: y, y2: y + 24 }))
        line.setAttribute(name, value);
      map.svg.append(line);
    }
  }

  function zoom(map, from, shown) {
    map.shown = Math.min(map.size, Math.max(16, Math.round(shown)));
    map.from = Math.min(map.start + map.size - map.shown, Math.max(map.start, Math.round(from)));
    draw(map);
  }

  /** Brings a stretch into view of its map, if it is not seen at the scale that the map has. */
  function show(start, size) {
    for (const map of maps)
      if (start >= map.start && start < map.start + map.size && (start < map.from || start + size > map.from + map.shown))
        zoom(map, start + size / 2 - map.shown / 2, Math.max(map.shown, size));
  }

  for (const map of maps) {
    const figure = map.svg.closest("figure"), buttons = figure.querySelector(".zoom");
    buttons.hidden = false;
    const middle = () => {
      const part = map.svg.querySelector(".chosen, a:focus");
      const at = part ? +part.dataset.start + Math.min(+part.dataset.size, map.shown) / 2 : map.from + map.shown / 2;
      return at >= map.from && at < map.from + map.shown ? at : map.from + map.shown / 2;
    };
    const act = {
      in: () => zoom(map, middle() - map.shown / 8, map.shown / 4),
      out: () => zoom(map, middle() - map.shown * 2, map.shown * 4),
      left: () => zoom(map, map.from - map.shown / 2, map.shown),
      right: () => zoom(map, map.from + map.shown / 2, map.shown),
      used: () => {
        const spans = Array.from(map.svg.querySelectorAll(".part:not(.area, .gap)"), (each) => [+each.dataset.start, +each.dataset.start + +each.dataset.size]);
        if (!spans.length) return;
        const low = Math.min(...spans.map((each) => each[0])), high = Math.max(...spans.map((each) => each[1]));
        zoom(map, low, high - low);
      },
      all: () => zoom(map, map.start, map.size),
    };
    buttons.addEventListener("click", (event) => act[event.target.dataset.zoom]?.());
    figure.addEventListener("keydown", (event) => {
      const key = { "+": "in", "-": "out", "0": "all", ArrowLeft: "left", ArrowRight: "right" }[event.key];
      if (!key || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      act[key]();
    });
    map.svg.addEventListener("dblclick", (event) => {
      const part = event.target.closest(".part");
      if (part) zoom(map, +part.dataset.start, +part.dataset.size);
    });
    draw(map);
  }

  document.addEventListener("keydown", (event) => {
    if (event.key !== "/" || event.target.matches("input")) return;
    event.preventDefault();
    byId("search").focus();
  });
  window.addEventListener("resize", () => maps.forEach(number));
  window.addEventListener("beforeprint", () => {
    for (const each of document.querySelectorAll("details")) each.open = true;
    for (const map of maps) zoom(map, map.start, map.size);
  });
})();
