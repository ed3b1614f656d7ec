// What moves on makebreak's pages. Without it the pages say the same, and are
// loaded again now and then.
"use strict";

(() => {
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  const all = (selector, of) => [...(of || document).querySelectorAll(selector)];
  const write = (element, text) => { if (element && element.textContent !== text) element.textContent = text; };

  // Pages that show many contacts are fetched anew, and what has the focus keeps it.
  const refresh = () => {
    if (document.hidden) return;
    fetch(location.href, { headers: { Accept: "text/html" } }).then(r => r.ok ? r.text() : Promise.reject()).then(text => {
      const next = new DOMParser().parseFromString(text, "text/html"), main = document.getElementById("main");
      if (getSelection() && !getSelection().isCollapsed) return;
      const active = document.activeElement, href = main.contains(active) ? active.getAttribute("href") : null;
      main.replaceChildren(...next.getElementById("main").childNodes);
      const now = next.querySelector("footer .now");
      if (now) write(document.querySelector("footer .now"), now.textContent);
      if (href) all("a", main).find(a => a.getAttribute("href") === href)?.focus({ preventScroll: true });
    }).catch(() => {});
  };
  const seconds = Number(document.body.dataset.refresh);
  if (seconds) setInterval(refresh, 1000 * seconds);

  const name = document.body.dataset.live;
  if (!name) return;

  // The strip: what the contact did in the last ten seconds. Times are in ms of the
  // contact's clock; the picture is a little behind, so that it moves evenly.
  const SHOWN = 10000, BEHIND = 700, POINTS = 256;
  const strip = document.getElementById("strip"), pen = strip.querySelector(".pen"), gap = strip.querySelector(".gap");
  const plane = document.getElementById("plane"), dots = document.getElementById("points");
  let marks = [], before = "unknown", offset = null, missed = 0;

  const heights = { open: 24, closed: 4 };
  const draw = now => {
    const from = now - SHOWN, x = t => Math.max(0, Math.min(360, 360 * (t - from) / SHOWN)).toFixed(1);
    let state = before, at = from, line = "", holes = "", drawn = "";
    const step = end => {
      if (end <= at) return;
      if (state in heights) {
        line += (drawn in heights ? (drawn === state ? "" : "V" + heights[state]) : "M" + x(at) + " " + heights[state]) + "H" + x(end);
      } else holes += "M" + x(at) + " 14H" + x(end);
      drawn = state;
      at = end;
    };
    for (const [t, to] of marks) {
      if (t > now) break;
      if (t > from) step(t);
      state = to;
    }
    step(now);
    pen.setAttribute("d", line);
    gap.setAttribute("d", holes);
  };
  let last = 0;
  const frame = time => {
    requestAnimationFrame(frame);
    if (offset === null || document.hidden || time - last < (still.matches ? 1000 : 50)) return;
    last = time;
    const now = performance.now() + offset - BEHIND, from = now - SHOWN;
    let gone = 0;
    while (gone < marks.length && marks[gone][0] <= from) before = marks[gone++][1];
    if (gone) marks.splice(0, gone);
    draw(now);
  };
  requestAnimationFrame(frame);

  const number = key => Number(plane.dataset[key]);
  const addPoint = ([, breakMS, periodMS]) => {
    if (!(periodMS > 0)) return;
    const x = 100 * breakMS / periodMS, y = number("rate") / periodMS;
    const part = (v, a, b) => (v - a) / (b - a), clip = v => Math.max(0, Math.min(1, v));
    const px = part(x, number("x0"), number("x1")), py = part(y, number("y0"), number("y1"));
    const dot = document.createElementNS("http://www.w3.org/2000/svg", "circle");
    dot.setAttribute("cx", (52 + 330 * clip(px)).toFixed(1));
    dot.setAttribute("cy", (230 - 220 * clip(py)).toFixed(1));
    dot.setAttribute("r", "2.5");
    if (px !== clip(px) || py !== clip(py)) dot.classList.add("beyond");
    dots.lastElementChild?.classList.remove("newest");
    dot.classList.add("newest");
    dots.append(dot);
    while (dots.childElementCount > POINTS) dots.firstElementChild.remove();
  };

  let figure = null; // the one that is shown large
  const show = face => {
    for (const field of all("[data-field]")) write(field, face[field.dataset.field]);
    const verdict = document.querySelector("[data-verdict] .verdict");
    if (verdict) {
      verdict.className = "verdict " + face.verdict.class;
      write(verdict.querySelector(".mark"), face.verdict.mark);
      write(verdict.querySelector(".word"), face.verdict.word);
    }
    for (const f of face.figures) {
      const box = document.querySelector('[data-figure="' + f.id + '"]');
      if (!box) continue;
      box.classList.remove("pass", "near", "fail", "none");
      box.classList.add(f.class);
      write(box.querySelector("[data-value]"), f.value);
      write(box.querySelector("[data-distance]"), f.distance);
      write(box.querySelector("[data-where]"), f.where);
      const needle = box.querySelector("[data-needle]");
      needle.setAttribute("x1", f.x);
      needle.setAttribute("x2", f.x);
      if (!box.hidden) figure = f;
    }
    sound.tune();
  };

  // To the ear. Nothing sounds until it is asked for; only the volume is remembered.
  const sound = (() => {
    const form = document.getElementById("sound"), heard = document.getElementById("heard");
    let audio = null, out = null, tone = null, rough = null, loud = null;
    const stored = Number(localStorage.getItem("makebreak-volume") ?? 40);
    form.volume.value = stored >= 0 && stored <= 100 ? stored : 40;
    form.hidden = !window.AudioContext;
    const volume = () => (form.volume.value / 100) ** 2; // as loudness is heard
    const start = () => {
      if (!audio) {
        audio = new AudioContext();
        out = new GainNode(audio, { gain: volume() });
        out.connect(audio.destination);
        // A tone whose loudness flutters 35 times a second is heard as rough.
        tone = new OscillatorNode(audio, { type: "triangle", frequency: 440 });
        loud = new GainNode(audio, { gain: 0 });
        const depth = new GainNode(audio, { gain: 0.5 });
        rough = new OscillatorNode(audio, { type: "square", frequency: 35 });
        rough.depth = new GainNode(audio, { gain: 0 });
        rough.connect(rough.depth).connect(depth.gain);
        tone.connect(depth).connect(loud).connect(out);
        tone.start();
        rough.start();
      }
      audio.resume();
    };
    form.addEventListener("submit", e => e.preventDefault());
    form.addEventListener("change", () => {
      if (form.clicks.checked || form.tone.checked) start();
      tune();
    });
    form.volume.addEventListener("input", () => {
      localStorage.setItem("makebreak-volume", form.volume.value);
      if (out) out.gain.setTargetAtTime(volume(), audio.currentTime, 0.02);
    });
    const tune = () => {
      const at = figure && figure.at !== null && figure.value !== "–" ? figure.at : null;
      if (form.tone.checked) write(heard, words(at));
      else write(heard, "");
      if (!audio) return;
      const on = form.tone.checked && at !== null, t = audio.currentTime;
      loud.gain.setTargetAtTime(on ? 0.5 : 0, t, 0.05);
      rough.depth.gain.setTargetAtTime(on && Math.abs(at) > 1 ? 0.5 : 0, t, 0.05);
      // An octave from limit to limit: 440 Hz in the middle.
      if (on) tone.frequency.setTargetAtTime(440 * 2 ** (Math.max(-2, Math.min(2, at)) / 2), t, 0.05);
    };
    const words = at => {
      if (at === null) return figure && figure.value !== "–" ? "No tone: this figure has no middle between two limits." : "No tone: nothing to read now.";
      const side = at > 0 ? "above" : "below";
      if (Math.abs(at) > 1) return "Rough: outside, " + side + " the " + (at > 0 ? "upper" : "lower") + " limit.";
      if (Math.abs(at) < 0.1) return "In the middle between the limits.";
      return (at > 0 ? "Higher: " : "Lower: ") + side + " the middle, " + Math.round(10 * Math.abs(at)) + " tenths of the way to the " + (at > 0 ? "upper" : "lower") + " limit.";
    };
    const click = (ms, open) => { // so long from now
      if (!audio || !form.clicks.checked || ms < -50) return;
      const t = audio.currentTime + Math.max(0, ms) / 1000;
      const o = new OscillatorNode(audio, { type: "square", frequency: open ? 1800 : 900 }), g = new GainNode(audio, { gain: 0 });
      g.gain.setValueAtTime(0.4, t);
      g.gain.exponentialRampToValueAtTime(0.001, t + 0.02);
      o.connect(g).connect(out);
      o.start(t);
      o.stop(t + 0.025);
    };
    return { tune, click, on: () => form.clicks.checked || form.tone.checked };
  })();

  const status = document.getElementById("stream");
  let source = null;
  const connect = () => {
    if (source) return;
    source = new EventSource("/contacts/" + encodeURIComponent(name) + "/events");
    let first = true;
    source.onmessage = e => {
      const m = JSON.parse(e.data);
      const now = performance.now(), is = m.now - now;
      // The clock of the contact, by the message that was least delayed; it follows slowly.
      offset = offset === null || first || Math.abs(is - offset) > 2000 ? is : is > offset ? offset + 0.2 * (is - offset) : offset + 0.02 * (is - offset);
      if (first || m.missed || m.dropped) { marks = []; before = m.before || "unknown"; }
      if (first) dots.replaceChildren();
      missed += m.dropped || 0;
      for (const [t, to] of m.marks || []) {
        marks.push([t, to]);
        if (!first && (to === "open" || to === "closed")) sound.click(t - (now + offset - BEHIND), to === "open");
      }
      if (marks.length > 4096) marks.splice(0, marks.length - 4096);
      for (const p of m.points || []) addPoint(p);
      if (m.face) show(m.face);
      write(status, missed ? "This link is slow: " + missed + " pieces were left out." : "It moves as it comes.");
      first = false;
    };
    source.onerror = () => {
      if (source && source.readyState === EventSource.CLOSED) { source.close(); source = null; setTimeout(connect, 15000); }
      write(status, "Not connected; what you see stands still.");
    };
  };
  // A page that nobody sees or hears holds no connection: a browser has six.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden && source && !sound.on()) { source.close(); source = null; write(status, "Paused."); }
    if (!document.hidden) connect();
  });
  if (!document.hidden) connect();
})();
