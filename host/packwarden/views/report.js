"use strict";
// One run, drawn: the string line at one moment, and every plot on one time axis.  Nothing is fetched.
const run = JSON.parse(document.getElementById("run").textContent);
const $ = (id) => document.getElementById(id);
const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
const times = (() => { const v = new DataView(bytes(run.t).buffer); return Float64Array.from({ length: v.byteLength / 4 }, (_, i) => v.getUint32(i * 4, true) / 1000); })();
const columns = {};
for (const [name, c] of Object.entries(run.columns)) {
  const v = new DataView(bytes(c.d).buffer);
  columns[name] = Float64Array.from({ length: v.byteLength / 2 }, (_, i) => v.getInt16(i * 2, true) * c.s);
}
const N = times.length, END = run.end_s, MIN_S = 0.2;
let view = [0, END], cursor = run.cursor.t_s, drag = null;

const clamp = (x, low, high) => Math.min(high, Math.max(low, x));
const safe = (s) => String(s).replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[c]);
const minus = (s) => s.replace("-", "\u2212");
const fix = (x, digits) => minus(x.toFixed(digits));
const rowAt = (t) => { let low = 0, high = N - 1; while (low < high) { const mid = (low + high + 1) >> 1; if (times[mid] <= t + 1e-9) low = mid; else high = mid - 1; } return low; };
const clock = (t, step) => {
  const digits = step >= 1 ? 0 : step >= 0.1 ? 1 : step >= 0.01 ? 2 : 3;
  if (END < 7200) return t.toFixed(digits) + " s";
  const h = Math.floor(t / 3600), m = Math.floor((t % 3600) / 60), s = t % 60;
  return h + ":" + String(m).padStart(2, "0") + (step < 60 ? ":" + s.toFixed(digits).padStart(digits ? digits + 3 : 2, "0") : "");
};
const nice = (span, n) => { const raw = span / n, p = 10 ** Math.floor(Math.log10(raw)); return [1, 2, 2.5, 5, 10].map((m) => m * p).find((s) => s >= raw * 0.999); };
const niceTime = (span, n) => [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 28800, 86400].find((s) => s >= span / n) || 172800;

// -- shapes: a circle is normal, a triangle abnormal, a square tripped, a diamond something done to the car --------
const shape = (kind, x, y, r, extra = "") => {
  const at = { normal: "", alarm: `M${x} ${y - r * 1.2}L${x + r * 1.15} ${y + r * 0.85}H${x - r * 1.15}Z`, trip: `M${x - r} ${y - r}h${2 * r}v${2 * r}h${-2 * r}Z`, fault: `M${x} ${y - r * 1.25}L${x + r * 1.25} ${y}L${x} ${y + r * 1.25}L${x - r * 1.25} ${y}Z` };
  at.input = at.fault;
  return kind === "normal" ? `<circle class="fill-normal ${extra}" cx="${x}" cy="${y}" r="${r}"/>` : `<path class="fill-${kind} ${extra}" d="${at[kind]}"/>`;
};

// -- the string line -----------------------------------------------------------------------------------------------
const SPAN_MV = 1500;
function drawString() {
  const box = $("string"), W = Math.max(280, box.clientWidth), narrow = W < 560, H = 300, mid = 122, tall = 100;
  const first_shown = Math.abs(cursor - run.cursor.t_s) < 0.0006;
  const row = first_shown ? run.cursor.row : rowAt(cursor), n = run.modules, left = 50, right = 8;
  const v = Array.from({ length: n }, (_, k) => columns["module_v." + k][row]);
  const sorted = [...v].sort((a, b) => a - b), median = n % 2 ? sorted[n >> 1] : (sorted[n / 2 - 1] + sorted[n / 2]) / 2;
  const i = columns.i_a[row], band = run.band.base_mv + Math.abs(i) * run.band.slope_mv_per_a;
  const y = (mv) => mid - clamp(mv / SPAN_MV, -1, 1) * tall;
  const gaps = run.boxes.length - 1, step = (W - left - right) / (n + gaps * 0.7), xs = [];
  let at = left + step / 2;
  run.boxes.forEach((count) => { for (let j = 0; j < count; j++) { xs.push(at); at += step; } at += step * 0.7; });
  const r = clamp(step * 0.27, 5, 11), up = operated(cursor), states = [];
  let s = `<svg viewBox="0 0 ${W} ${H}" height="${H}" role="img" aria-label="The string line">`;
  s += `<rect class="bandfill" x="${left}" width="${W - left - right}" y="${y(band)}" height="${y(-band) - y(band)}"/>`;
  s += `<path class="bandedge" d="M${left} ${y(band)}H${W - right}M${left} ${y(-band)}H${W - right}"/>`;
  for (let mv = -SPAN_MV; mv <= SPAN_MV; mv += 500) {
    s += `<path class="${mv ? "grid" : "zero"}" d="M${left} ${y(mv)}H${W - right}"/>`;
    s += `<text class="dim" x="${left - 5}" y="${y(mv) + 4}" text-anchor="end">${mv ? (mv > 0 ? "+" : "") + fix(mv / 1000, 1) + " V" : "0"}</text>`;
  }
  let k0 = 0;
  run.boxes.forEach((count, b) => {
    const a = xs[k0] - step * 0.42, z = xs[k0 + count - 1] + step * 0.42;
    s += `<path class="zero" fill="none" d="M${a} ${H - 26}v6H${z}v-6"/><text class="dim" x="${(a + z) / 2}" y="${H - 5}" text-anchor="middle">box ${b + 1}</text>`;
    k0 += count;
  });
  v.forEach((volt, k) => {
    const mv = (volt - median) * 1000, x = xs[k], at_y = y(mv), out = Math.abs(mv) > band, beyond = Math.abs(mv) > SPAN_MV;
    const state = up[k] ? up[k].level : out ? "alarm" : "normal";
    s += `<path class="stem" d="M${x} ${mid}V${at_y}"/>` + shape(state, x, at_y, r, "bead");
    const read = columns["read_v." + k];
    if (read) {
      const off = (read[row] - median) * 1000, believed = !columns["bad." + k][row];
      if (Math.abs(off - mv) > 100 || !believed) s += `<circle class="ring" cx="${x}" cy="${y(off)}" r="${r + 4}"${believed ? "" : ' stroke-dasharray="3 3"'}/>`;
    }
    if (state !== "normal" || (!narrow && step > 44)) {
      const text = (mv >= 0.5 ? "+" : "") + (Math.abs(mv) < 1000 ? fix(Math.round(mv) || 0, 0) + (step > 52 || state !== "normal" ? " mV" : "") : fix(mv / 1000, 2) + " V") + (beyond ? (mv < 0 ? " \u2193" : " \u2191") : "");
      s += `<text x="${clamp(x, left + 16, W - right - 18)}" y="${clamp(mv < 0 ? at_y + r + 14 : at_y - r - 5, 11, H - 45)}" text-anchor="middle"${state === "normal" ? ' class="dim"' : ' font-weight="700"'}>${text}</text>`;
    }
    states.push(state);
  });
  // Numbers, where there is room: those of modules that are not normal first, then the first of each box, then all.
  const firsts = run.boxes.map((_, b) => run.boxes.slice(0, b).reduce((a, c) => a + c, 0)), spots = [];
  const rank = (k) => (states[k] !== "normal" ? 0 : firsts.includes(k) ? 1 : 2);
  for (const k of [...xs.keys()].sort((a, b) => rank(a) - rank(b) || a - b)) {
    if (spots.some((x) => Math.abs(x - xs[k]) < 17)) continue;
    spots.push(xs[k]);
    s += `<text x="${xs[k]}" y="${H - 31}" text-anchor="middle"${states[k] === "normal" ? "" : ' font-weight="700"'}>${k + 1}</text>`;
  }
  box.innerHTML = s + "</svg>";
  const low = v.indexOf(sorted[0]);
  const named = up.map((u, k) => (u ? `module ${k + 1}: ${u.name}` : "")).filter(Boolean);
  $("now").innerHTML = `<b>${clock(cursor, 0.01)}</b>${first_shown ? " (" + safe(run.cursor.what) + ")" : ""} &middot; ${mode(times[row])} &middot; ${fix(i, 0)} A &middot; median ${fix(median, 2)} V &middot; lowest module ${low + 1} at ${fix(v[low], 2)} V &middot; normal at this current: \u00b1${fix(band, 0)} mV${named.length ? " &middot; <b>" + safe(named.join("; ")) + "</b>" : ""}`;
  const first = rowAt(view[0]), last = rowAt(view[1]), slider = $("when");
  slider.min = first; slider.max = last; slider.value = row;
  slider.setAttribute("aria-valuetext", clock(cursor, 0.01));
}
function operated(t) {
  const up = Array(run.modules).fill(null), live = new Map();
  for (const e of run.operated) {
    if (e.t > t + 1e-9) break;
    if (e.on) live.set(e.k + e.name, e); else live.delete(e.k + e.name);
  }
  for (const e of live.values()) if (!up[e.k] || e.level === "trip") up[e.k] = e;
  return up;
}
const mode = (t) => { let m = run.modes[0][1]; for (const [at, name] of run.modes) if (at <= t + 1e-9) m = name; return m; };

// -- plots ---------------------------------------------------------------------------------------------------------
const LEFT = 50, RIGHT = 8;
let W = 700;
const X = (t) => LEFT + ((t - view[0]) / (view[1] - view[0])) * (W - LEFT - RIGHT);
const T = (x) => view[0] + ((x - LEFT) / (W - LEFT - RIGHT)) * (view[1] - view[0]);

function path(col, Y) {  // one pixel wide stretches: first, lowest, highest, last
  const from = Math.max(0, rowAt(view[0])), to = Math.min(N - 1, rowAt(view[1]) + 1);
  let d = "", px = null, lo = 0, hi = 0, last = 0;
  const put = (x, v) => { d += (d ? "L" : "M") + x.toFixed(1) + " " + Y(v).toFixed(1); };
  const flush = () => { if (px === null) return; if (hi > lo) { put(px, lo); put(px, hi); } put(px, last); };
  for (let i = from; i <= to; i++) {
    const x = Math.round(X(times[i]) * 2) / 2, v = col[i];
    if (x !== px) { flush(); px = x; lo = hi = v; } else { if (v < lo) lo = v; if (v > hi) hi = v; }
    last = v;
  }
  flush();
  return d;
}
function marksOver(H) {
  let s = "";
  for (const m of run.marks) if (m.t >= view[0] && m.t <= view[1]) s += `<path class="mark ${m.level}" d="M${X(m.t).toFixed(1)} 0V${H}"/>`;
  if (cursor >= view[0] && cursor <= view[1]) s += `<path class="cursor" d="M${X(cursor).toFixed(1)} 0V${H}"/>`;
  if (drag && drag.now !== undefined) s += `<rect class="drag" x="${Math.min(drag.x, drag.now)}" width="${Math.abs(drag.now - drag.x)}" y="0" height="${H}"/>`;
  return s;
}
function faultSpans(H) {
  let s = "";
  for (const m of run.marks) if (m.end !== undefined && m.end >= view[0] && m.t <= view[1]) { const a = X(Math.max(m.t, view[0])), z = X(Math.min(m.end, view[1])); s += `<rect class="faultspan" x="${a}" width="${Math.max(1, z - a)}" y="0" height="${H}"/>`; }
  return s;
}
function panel(p) {
  const H = p.height, from = rowAt(view[0]), to = Math.min(N - 1, rowAt(view[1]) + 1);
  let low = Infinity, high = -Infinity;
  for (const c of p.series) {
    if (c.look === "reading") continue;  // a reading may be anything: it runs along the edge when it is off the scale
    const col = columns[c.column];
    for (let i = from; i <= to; i++) { if (col[i] < low) low = col[i]; if (col[i] > high) high = col[i]; }
  }
  for (const c of p.series) if (c.look === "reading") {
    const col = columns[c.column], most = Math.max(1.5, (high - low) * 0.5), [a, z] = [low - most, high + most];
    for (let i = from; i <= to; i++) { low = Math.min(low, Math.max(a, col[i])); high = Math.max(high, Math.min(z, col[i])); }
  }
  if (p.at_least) { low = Math.min(low, p.at_least[0]); high = Math.max(high, p.at_least[1]); }
  if (high - low < p.smallest) { const more = (p.smallest - (high - low)) / 2; low -= more; high += more; }
  const room = (high - low) * 0.25;
  for (const l of p.lines) if (l.y > low - room && l.y < high + room) { low = Math.min(low, l.y); high = Math.max(high, l.y); }
  const pad = (high - low) * 0.06; low -= pad; high += pad;
  const Y = (v) => clamp(4 + (1 - (v - low) / (high - low)) * (H - 8), 1.5, H - 1.5);
  let s = faultSpans(H), written = [];
  const step = nice(high - low, H > 110 ? 5 : 3);
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) {
    s += `<path class="${Math.abs(v) < step / 1e6 ? "zero" : "grid"}" d="M${LEFT} ${Y(v)}H${W - RIGHT}"/>`;
    if (Y(v) > 8 && Y(v) < H - 4) s += `<text class="dim" x="${LEFT - 5}" y="${Y(v) + 4}" text-anchor="end">${fix(Math.abs(v) < step / 1e6 ? 0 : v, step < 0.1 ? 2 : step < 1 || step % 1 ? 1 : 0)}</text>`;
  }
  timeGrid().forEach((t) => { s += `<path class="grid" d="M${X(t)} 0V${H}"/>`; });
  for (const l of p.lines) {
    if (l.y <= low || l.y >= high) continue;
    s += `<path class="pickup ${l.level === "trip" ? "red" : ""}" d="M${LEFT} ${Y(l.y)}H${W - RIGHT}"/>`;
    const y = Y(l.y) < 16 ? Y(l.y) + 13 : Y(l.y) - 4;
    if (written.some((other) => Math.abs(other - y) < 13)) continue;
    written.push(y);
    s += `<text class="dim" x="${LEFT + 5}" y="${y}">${safe(l.text)}</text>`;
  }
  for (const c of p.series) s += `<path class="${c.look}" d="${path(columns[c.column], Y)}"/>`;
  return s + marksOver(H);
}
const timeGrid = () => { const step = niceTime(view[1] - view[0], W < 500 ? 4 : 8), out = []; for (let t = Math.ceil(view[0] / step) * step; t <= view[1] + 1e-9; t += step) out.push(t); return out; };
function lane() {  // what was done and what operated, each a shape with its words where there is room
  const rows = W < 500 ? 5 : 4, ends = Array(rows).fill(-1e9), H = rows * 17 + 6;
  let s = "";
  for (const m of run.marks) {
    if (m.t < view[0] || m.t > view[1]) continue;
    const x = X(m.t), wide = 14 + m.short.length * 6.6, flip = x + wide > W && x - wide > LEFT, a = flip ? x - wide : x - 7, z = flip ? x + 7 : x + wide;
    const r = ends.findIndex((e) => a >= e);
    if (r >= 0) ends[r] = z + 4;
    const y = (r < 0 ? rows - 1 : r) * 17 + 11;
    s += `<g><title>${safe(m.text)}</title>${shape(m.level, +x.toFixed(1), y, 5)}${r < 0 ? "" : `<text class="halo" x="${flip ? x - 9 : x + 9}" y="${y + 4}"${flip ? ' text-anchor="end"' : ""}>${safe(m.short)}</text>`}</g>`;
  }
  return [faultSpans(H) + marksOver(H) + s, H];
}
function strips() {
  const rowH = 18, H = (run.strips.length + 1) * rowH + 20;
  let s = faultSpans(H - 20);
  timeGrid().forEach((t) => { s += `<path class="grid" d="M${X(t)} 0V${H - 18}"/><text class="dim" x="${clamp(X(t), LEFT + 8, W - 24)}" y="${H - 4}" text-anchor="middle">${clock(t, niceTime(view[1] - view[0], 8))}</text>`; });
  run.modes.forEach(([at, name], j) => {
    const end = j + 1 < run.modes.length ? run.modes[j + 1][0] : END;
    if (end < view[0] || at > view[1]) return;
    const a = X(Math.max(at, view[0])), z = X(Math.min(end, view[1]));
    s += `<rect class="m-${name}" x="${a}" width="${Math.max(1, z - a)}" y="2" height="${rowH - 4}"/>`;
    if (z - a > name.length * 6.6 + 6) s += `<text x="${(a + z) / 2}" y="13" text-anchor="middle" class="${name === "drive" || name === "charge" || name === "lockout" ? "on-fill" : "on-yellow"}">${name}</text>`;
  });
  run.strips.forEach((strip, j) => {
    const y = (j + 1) * rowH;
    s += `<path class="grid" d="M${LEFT} ${y + rowH - 3}H${W - RIGHT}"/>`;
    for (const [from, to] of strip.spans) if (to >= view[0] && from <= view[1]) { const a = X(Math.max(from, view[0])), z = X(Math.min(to, view[1])); s += `<rect class="strip ${strip.live ? "live" : ""}" x="${a}" width="${Math.max(1, z - a)}" y="${y + (strip.live ? 6 : 3)}" height="${strip.live ? 5 : rowH - 7}"/>`; }
  });
  s += `<text class="dim" x="${LEFT - 5}" y="13" text-anchor="end">mode</text>`;
  run.strips.forEach((strip, j) => { s += `<text class="dim" x="${LEFT - 5}" y="${(j + 1) * rowH + 13}" text-anchor="end">${safe(strip.short)}</text>`; });
  return [s + marksOver(H - 18), H];
}
function build() {
  const key = (c) => `<i><svg viewBox="0 0 22 8"><path class="${c.look}" d="M0 4H22"/></svg>${safe(c.label)}</i>`;
  $("plots").innerHTML = `<figure><figcaption><b>What happened</b></figcaption><div id="p-lane"></div></figure>` +
    run.panels.map((p, j) => `<figure><figcaption><b>${safe(p.title)}</b>${p.series.filter((c) => c.label).map(key).join("")}</figcaption><div id="p-${j}"></div></figure>`).join("") +
    `<figure><figcaption><b>Mode and outputs</b>${run.strips.map((x) => `<i>${safe(x.short)}: ${safe(x.about)}</i>`).join("")}</figcaption><div id="p-strips"></div></figure>`;
}
let due = 0;
function draw() { if (!due) due = requestAnimationFrame(drawNow); }
function drawNow() {
  due = 0;
  W = Math.max(280, $("plots").clientWidth);
  const into = (id, s, H) => { $(id).innerHTML = `<svg viewBox="0 0 ${W} ${H}" height="${H}" aria-hidden="true">${s}</svg>`; };
  into("p-lane", ...lane());
  run.panels.forEach((p, j) => into("p-" + j, panel(p), p.height));
  into("p-strips", ...strips());
  drawString();
}

// -- hands ---------------------------------------------------------------------------------------------------------
function look(a, z) {
  const span = clamp(z - a, MIN_S, END), from = clamp(a, 0, END - span);
  view = [from, from + span];
  draw();
}
const zoom = (factor, about = (view[0] + view[1]) / 2) => { const span = clamp((view[1] - view[0]) * factor, MIN_S, END); const part = (about - view[0]) / (view[1] - view[0]); look(about - part * span, about + (1 - part) * span); };
const pan = (part) => { const by = part * (view[1] - view[0]); look(view[0] + by, view[1] + by); };
function go(t, near) {
  cursor = clamp(t, 0, END);
  if (near) { const span = Math.min(view[1] - view[0], near); look(cursor - span / 2, cursor + span / 2); } else draw();
}
const plots = $("plots"), fingers = new Map();
const px = (e) => clamp(e.clientX - plots.getBoundingClientRect().left, LEFT, W - RIGHT);
plots.addEventListener("pointerdown", (e) => {
  if (e.button) return;
  fingers.set(e.pointerId, e.clientX);
  drag = { x: px(e), from: [...view], touch: e.pointerType === "touch", shift: e.shiftKey };
  if (fingers.size === 2) { const [a, b] = [...fingers.values()]; drag.gap = Math.max(20, Math.abs(a - b)); drag.about = T((a + b) / 2 - plots.getBoundingClientRect().left); }
});
addEventListener("pointermove", (e) => {
  if (!drag || !fingers.has(e.pointerId)) return;
  fingers.set(e.pointerId, e.clientX);
  const x = px(e), per = (drag.from[1] - drag.from[0]) / (W - LEFT - RIGHT);
  if (drag.gap) {
    const [a, b] = [...fingers.values()], f = drag.gap / Math.max(20, Math.abs(a - b)), span = (drag.from[1] - drag.from[0]) * f;
    const part = (drag.about - drag.from[0]) / (drag.from[1] - drag.from[0]);
    drag.moved = true; look(drag.about - part * span, drag.about + (1 - part) * span);
  } else if (Math.abs(x - drag.x) > 5 || drag.moved) {
    drag.moved = true;
    if (drag.touch || drag.shift) { const by = (drag.x - x) * per; look(drag.from[0] + by, drag.from[1] + by); } else { drag.now = x; draw(); }
  }
});
const release = (e) => {
  if (!drag || !fingers.delete(e.pointerId)) return;
  const was = drag;
  if (!fingers.size) drag = null;
  if (e.type === "pointercancel" || was.gap) return draw();
  if (!was.moved) go(T(was.x));
  else if (was.now !== undefined) { const t = [T(was.x), T(was.now)].sort((a, b) => a - b); look(t[0], t[1]); }
};
addEventListener("pointerup", release);
addEventListener("pointercancel", release);
plots.addEventListener("dblclick", () => look(0, END));
plots.addEventListener("wheel", (e) => {
  if (e.ctrlKey) { e.preventDefault(); zoom(Math.exp(clamp(e.deltaY, -60, 60) / 150), T(px(e))); }
  else if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) { e.preventDefault(); pan(e.deltaX / W); }
}, { passive: false });
plots.addEventListener("keydown", (e) => {
  const row = rowAt(cursor), keys = {
    ArrowLeft: () => (e.shiftKey ? pan(-0.2) : go(times[Math.max(0, row - 1)])), ArrowRight: () => (e.shiftKey ? pan(0.2) : go(times[Math.min(N - 1, row + 1)])),
    "+": () => zoom(0.5, cursor), "=": () => zoom(0.5, cursor), "-": () => zoom(2, cursor), 0: () => look(0, END), Home: () => go(view[0]), End: () => go(view[1]),
  };
  if (keys[e.key] && !e.ctrlKey && !e.metaKey) { e.preventDefault(); keys[e.key](); }
});
$("when").addEventListener("input", (e) => go(times[e.target.value]));
$("moment").addEventListener("change", (e) => { if (e.target.value !== "") go(+e.target.value, 40); });
for (const b of document.querySelectorAll("button[data-do]")) b.addEventListener("click", () => ({ all: () => look(0, END), in: () => zoom(0.5, cursor >= view[0] && cursor <= view[1] ? cursor : undefined), out: () => zoom(2), left: () => pan(-0.4), right: () => pan(0.4), worst: () => go(run.cursor.t_s, 40) })[b.dataset.do]());
for (const b of document.querySelectorAll("button.at")) b.addEventListener("click", () => { go(+b.dataset.t, 40); $("plots-head").scrollIntoView({ behavior: "smooth" }); });
addEventListener("resize", draw);
addEventListener("beforeprint", drawNow);
// A link may end in #from,to in seconds: the stretch of time that the plots show first.
function linked() {
  const at = location.hash.slice(1).split(",").map(Number);
  if (at.length === 2 && at.every(Number.isFinite) && at[0] < at[1]) look(at[0], at[1]);
}
addEventListener("hashchange", linked);
build();
linked();
drawNow();
