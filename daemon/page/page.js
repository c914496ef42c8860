// Keeps an open page live: takes in what has changed, counts ages, says when nothing comes any more; fetches charts for
// other spans, moves a line through them; sends forms without leaving the page. Everything works without it, too.
"use strict";
(() => {
  const SILENT_MS = 12000;
  const CHART_MS = Number(document.getElementById("pace")?.dataset.chartMs || 20000);
  const phone = () => !window.matchMedia("(min-width: 50rem)").matches;
  let ahead = 0; // the daemon's clock less this browser's, seconds
  let heard = 0; // when the last event came, this browser's clock
  let lookFailed = false;
  let source = null;
  let asked = 0; // when events were last asked for
  const waiting = new Map(); // pieces that wait until nobody is choosing in them

  const duration = (seconds) => {
    const s = Math.max(0, Math.round(seconds));
    if (s < 120) return `${s} s`;
    if (s < 3600) return `${Math.floor(s / 60)} min`;
    if (s < 86400) return `${Math.floor(s / 3600)} h ${Math.floor((s % 3600) / 60)} min`;
    const days = Math.floor(s / 86400);
    return `${days} day${days > 1 ? "s" : ""} ${Math.floor((s % 86400) / 3600)} h`;
  };

  const now = () => Date.now() / 1000 + ahead;

  const ages = () => {
    if (!heard) return; // this browser's own clock may be wrong
    for (const cell of document.querySelectorAll("[data-time]")) {
      const age = now() - Number(cell.dataset.time);
      const said = cell.querySelector(".age");
      if (said) said.textContent = `${duration(age)} ago`;
      if (cell.dataset.stale) cell.classList.toggle("old", age > Number(cell.dataset.stale));
    }
  };

  const say = (text) => {
    const link = document.getElementById("link");
    if (link && link.textContent !== text) link.textContent = text;
  };

  const watch = () => {
    const quiet = Date.now() - heard;
    const lost = heard === 0 ? performance.now() > SILENT_MS : quiet > SILENT_MS;
    document.body.classList.toggle("lost", lost || lookFailed);
    if (lost) {
      say(`✕ connection lost: nothing heard for ${duration(heard === 0 ? performance.now() / 1000 : quiet / 1000)}; `
        + "these numbers are old");
    } else if (lookFailed) {
      say("✕ the daemon can't read its database; these numbers are old");
    } else if (heard) {
      say("● live");
    }
    // a daemon that lost its power and a wireless link that moved don't say goodbye: the browser would wait for ever
    if (lost && Date.now() - asked > SILENT_MS) listen();
    ages();
  };

  const busy = (element) => {
    const active = document.activeElement;
    return active && element.contains(active) && (active.tagName === "SELECT" || active.tagName === "INPUT");
  };

  const put = (key, html) => {
    const element = document.getElementById(key);
    if (!element) return;
    if (busy(element)) {
      waiting.set(key, html);
      return;
    }
    waiting.delete(key);
    const active = document.activeElement;
    const within = active && active !== document.body && element.contains(active);
    const name = within ? active.getAttribute("aria-label") || active.textContent : "";
    element.innerHTML = html;
    if (within) {
      const same = [...element.querySelectorAll("button, a")].find(
        (one) => (one.getAttribute("aria-label") || one.textContent) === name);
      (same || element.closest("article, section, main").querySelector("h2, h3, summary, button") || element).focus?.();
    }
  };

  const listen = () => {
    source?.close();
    asked = Date.now();
    const made = source = new EventSource("/events");
    source.onmessage = (event) => {
      const told = JSON.parse(event.data);
      heard = Date.now();
      ahead = told.now - Date.now() / 1000;
      lookFailed = !told.ok;
      for (const [key, html] of Object.entries(told.pieces)) put(key, html);
      watch();
    };
    source.onerror = () => {
      // the browser tries again by itself, unless the answer was a refusal
      setTimeout(() => { if (source === made && made.readyState === EventSource.CLOSED) listen(); }, 5000);
    };
  };

  document.addEventListener("focusout", () => setTimeout(() => {
    for (const [key, html] of [...waiting]) put(key, html);
  }));

  // -- charts ----------------------------------------------------------------------------------------------------

  const points = (path) => {
    // the drawing's own line: tenths of a pixel, relative steps
    const found = [];
    for (const [, x, y, rest] of path.getAttribute("d").matchAll(/M(-?\d+) (-?\d+)l([^M]*)/g)) {
      let px = Number(x), py = Number(y);
      found.push([px / 10, py / 10]);
      const steps = (rest.match(/-?\d+/g) || []).map(Number);
      for (let i = 0; i + 1 < steps.length; i += 2) {
        px += steps[i];
        py += steps[i + 1];
        found.push([px / 10, py / 10]);
      }
    }
    return found;
  };

  class Plot {
    constructor(section) {
      this.section = section;
      this.address = section.dataset.chart;
      this.holder = section.querySelector(".holder");
      this.readout = section.querySelector(".readout");
      this.marks = section.querySelector(".marks");
      this.range = "batch";
      this.span = null;
      this.lines = [];
      this.at = null;
      this.fresh = 0;
      this.seen = false;
      section.addEventListener("click", (event) => this.click(event));
      this.holder.addEventListener("pointermove", (event) => this.point(event));
      this.holder.addEventListener("pointerdown", (event) => this.grip(event));
      this.holder.addEventListener("pointerup", (event) => this.letGo(event));
      this.holder.addEventListener("pointercancel", () => this.drop());
      this.holder.addEventListener("pointerleave", () => this.drop());
      this.holder.addEventListener("keydown", (event) => this.key(event));
      new IntersectionObserver((seen) => {
        this.seen = seen.some((one) => one.isIntersecting);
        if (this.seen && !this.fresh) this.load();
      }, {rootMargin: "100% 0px"}).observe(section);
    }

    async load() {
      const asked = new URLSearchParams({layout: phone() ? "phone" : "desk"});
      if (this.span) {
        asked.set("from", this.span[0].toFixed(1));
        asked.set("to", this.span[1].toFixed(1));
      } else {
        asked.set("range", this.range);
      }
      this.fresh = Date.now();
      const turn = this.turn = (this.turn || 0) + 1;
      this.holder.classList.add("waiting");
      try {
        const answer = await fetch(`${this.address}/chart?${asked}`, {headers: {"X-Ullage": "page"}});
        if (!answer.ok) throw new Error(String(answer.status));
        const told = await answer.json();
        if (turn !== this.turn) return;
        const drawing = new DOMParser().parseFromString(told.svg, "image/svg+xml").documentElement;
        this.holder.replaceChildren(document.importNode(drawing, true));
        this.marks.innerHTML = told.marks;
        this.take();
      } catch {
        if (turn === this.turn) this.readout.textContent = "✕ the chart could not be loaded; it is tried again";
      } finally {
        if (turn === this.turn) this.holder.classList.remove("waiting");
      }
    }

    take() {
      const svg = this.svg = this.holder.querySelector("svg");
      this.start = Number(svg.dataset.start);
      this.end = Number(svg.dataset.end);
      this.left = Number(svg.dataset.left);
      this.right = Number(svg.dataset.right);
      // the first line of a panel is drawn last, on top of the others
      const lines = [...svg.querySelectorAll(".panel")].flatMap((panel) =>
        [...panel.querySelectorAll(".line")].reverse().map((line) => ({panel: panel.dataset, line})));
      this.lines = lines.map(({panel, line}) => ({
        title: line.dataset.name || panel.title,
        unit: panel.unit,
        decimals: Number(panel.decimals),
        low: Number(panel.low),
        high: Number(panel.high),
        top: Number(panel.top),
        bottom: Number(panel.bottom),
        points: points(line),
      })).filter((line) => line.points.length);
      const bottom = Math.max(...[...svg.querySelectorAll(".panel")].map((panel) => Number(panel.dataset.bottom)));
      this.cross = document.createElementNS("http://www.w3.org/2000/svg", "path");
      this.cross.setAttribute("class", "cross");
      this.chosen = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      this.chosen.setAttribute("class", "chosen");
      this.chosen.setAttribute("y", "0");
      this.chosen.setAttribute("height", String(bottom));
      this.foot = bottom;
      svg.append(this.chosen, this.cross);
      if (this.at !== null) this.show(this.at);
    }

    show(x) {
      this.at = Math.min(Math.max(x, this.left), this.right);
      this.cross.setAttribute("d", `M${this.at} 0V${this.foot}`);
      const time = this.start + (this.at - this.left) / (this.right - this.left) * (this.end - this.start);
      const when = new Date(time * 1000).toLocaleString([], {
        weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hour12: false});
      const said = this.lines.map((line) => {
        const near = line.points.reduce((best, one) =>
          Math.abs(one[0] - this.at) < Math.abs(best[0] - this.at) ? one : best);
        if (Math.abs(near[0] - this.at) > 6) return `${line.title}: no reading`;
        const value = line.low + (line.bottom - near[1]) / (line.bottom - line.top) * (line.high - line.low);
        return `${line.title}: ${value.toFixed(line.decimals)} ${line.unit}`;
      });
      this.readout.textContent = [when, ...said].join(" · ");
    }

    place(event) {
      const box = this.svg.getBoundingClientRect();
      return (event.clientX - box.left) / box.width * this.svg.viewBox.baseVal.width;
    }

    point(event) {
      if (!this.svg) return;
      const x = this.place(event);
      this.show(x);
      if (this.from !== undefined) {
        this.chosen.setAttribute("x", String(Math.min(x, this.from)));
        this.chosen.setAttribute("width", String(Math.abs(x - this.from)));
      }
    }

    grip(event) {
      if (!this.svg || event.pointerType === "touch" || event.button !== 0) {
        if (this.svg) this.show(this.place(event));
        return;
      }
      this.from = this.place(event);
    }

    letGo(event) {
      if (this.from === undefined) return;
      const ends = [this.from, this.place(event)].sort((a, b) => a - b);
      this.drop();
      if (ends[1] - ends[0] < 12) return;
      this.goTo(...ends.map((x) => this.start + (Math.min(Math.max(x, this.left), this.right) - this.left)
        / (this.right - this.left) * (this.end - this.start)));
    }

    drop() {
      this.from = undefined;
      if (this.chosen) this.chosen.setAttribute("width", "0");
    }

    goTo(start, end) {
      this.span = [start, end];
      this.press(null);
      this.load();
    }

    press(range) {
      for (const one of this.section.querySelectorAll("[data-range]")) {
        one.setAttribute("aria-pressed", String(one.dataset.range === range));
      }
    }

    click(event) {
      const button = event.target.closest("button[data-range], button[data-move]");
      if (!button) return;
      if (button.dataset.range) {
        this.range = button.dataset.range;
        this.span = null;
        this.press(this.range);
        this.load();
      } else {
        this.move(button.dataset.move);
      }
    }

    move(way) {
      if (!this.svg) return;
      const length = this.end - this.start, middle = (this.start + this.end) / 2;
      if (way === "earlier") this.goTo(this.start - length / 2, this.end - length / 2);
      if (way === "later") this.goTo(this.start + length / 2, this.end + length / 2);
      if (way === "in") this.goTo(middle - length / 4, middle + length / 4);
      if (way === "out") this.goTo(middle - length, middle + length);
    }

    key(event) {
      if (!this.svg || event.altKey || event.ctrlKey || event.metaKey) return;
      const step = (this.right - this.left) / (event.shiftKey ? 10 : 100);
      const at = this.at === null ? this.right : this.at;
      if (event.key === "ArrowLeft") this.show(at - step);
      else if (event.key === "ArrowRight") this.show(at + step);
      else if (event.key === "+") this.move("in");
      else if (event.key === "-") this.move("out");
      else return;
      event.preventDefault();
    }

    tick() {
      const moving = !this.span;
      if (this.seen && moving && !document.hidden && Date.now() - this.fresh > CHART_MS) this.load();
    }
  }

  // -- doing -----------------------------------------------------------------------------------------------------

  const tell = (text, undo) => {
    const told = document.getElementById("told");
    const line = document.createElement("p");
    const words = document.createElement("span");
    words.textContent = text;
    line.append(words);
    if (undo) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = "Undo";
      button.addEventListener("click", () => {
        line.remove();
        undo();
      });
      line.append(button);
    }
    told.replaceChildren(line);
    clearTimeout(tell.timer);
    tell.timer = setTimeout(() => line.remove(), undo ? 15000 : 6000);
  };

  const send = async (address, fields) => {
    const answer = await fetch(address, {
      method: "POST",
      headers: {"Content-Type": "application/json", "X-Ullage": "page"},
      body: JSON.stringify(fields),
    });
    if (answer.status === 401) {
      location.assign("/login");
      return null;
    }
    const told = await answer.json();
    if (!answer.ok) throw new Error(told.error || `refused (${answer.status})`);
    return told;
  };

  const DONE = {
    acknowledge: () => ["Acknowledged.", null],
    shelve: (fields, told, base) => [
      `Kept quiet for ${fields.hours} h.`, () => act(`${base}/unshelve`, {condition: fields.condition}, "unshelve")],
    unshelve: () => ["It is told again.", null],
    strike: () => ["Taken back.", null],
    journal: (fields, told, base) => [
      `Entered: ${fields.prefix ? `${fields.prefix} ${fields.number}` : fields.text}`,
      () => act(`${base}/strike`, {entry: told.entry}, "strike")],
    stage: (fields, told, base) => fields.stage === "undo"
      ? ["The last change of stage is undone.", null]
      : [`Stage set: ${fields.stage}`, () => act(`${base}/stage`, {stage: "undo"}, "stage")],
  };

  const act = async (address, fields, kind) => {
    try {
      const told = await send(address, fields);
      if (told === null) return false;
      const [text, undo] = DONE[kind](fields, told, address.slice(0, address.lastIndexOf("/")));
      tell(text, undo);
      for (const plot of plots) plot.fresh = Date.now() - CHART_MS + 1500;
      return true;
    } catch (error) {
      tell(`✕ ${error.message}`, null);
      return false;
    }
  };

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    const kind = form.dataset.act;
    if (!kind) return;
    event.preventDefault();
    if (form.dataset.busy) return; // not disabled: a disabled button loses the focus
    form.dataset.busy = "yes";
    const fields = Object.fromEntries(new FormData(form));
    const done = await act(form.getAttribute("action"), fields, kind);
    delete form.dataset.busy;
    if (done && kind === "journal" && form.querySelector("input:not([type=hidden])")) form.reset();
  });

  const plots = [...document.querySelectorAll("[data-chart]")].map((section) => new Plot(section));
  window.matchMedia("(min-width: 50rem)").addEventListener("change", () => plots.forEach((plot) => plot.load()));
  setInterval(() => {
    watch();
    plots.forEach((plot) => plot.tick());
  }, 1000);
  listen();
})();
