// The page: asks for the status every few seconds, and hears the log for what the night was like.
"use strict";

const EVERY_MS = 5000;
const AGAIN_MS = 15000;
const SOON_MS = 700; // the daemon tells the same for half a second
const HEARD = [
  "night_begun", "frame_accepted", "frame_rejected", "frame_taken_back", "filter_changed",
  "focus_curve", "focus_checked", "phase_changed", "sub_begun", "sub_cancelled", "operator_asked",
  "weather_unsafe",
];

const at = (id) => document.getElementById(id);
let status = null;
let aheadMs = 0; // the daemon's clock less this computer's
let heardMs = 0;
let failed = "";
let night = fresh("");

function fresh(name) {
  return { name, frames: new Map(), positions: [], looks: [] };
}

// Words --------------------------------------------------------------------------------------

function say(id, text) {
  const element = at(id);
  if (element.textContent !== text) element.textContent = text;
}

function site(utc) {
  return new Date(new Date(utc).getTime() + status.utc_offset_min * 60000);
}

function clock(utc, seconds = false) {
  return site(utc).toISOString().slice(11, seconds ? 19 : 16);
}

function long(seconds) {
  const minutes = Math.round(seconds / 60);
  if (minutes < 1) return `${Math.round(seconds)} s`;
  if (minutes < 60) return `${minutes} min`;
  return minutes % 60 ? `${Math.floor(minutes / 60)} h ${minutes % 60} min` : `${minutes / 60} h`;
}

function short(seconds) {
  return seconds < 100 ? `${Math.round(seconds)} s` : `${Math.floor(seconds / 60)} min ${Math.round(seconds % 60)} s`;
}

function readable(text) {
  // INDI's names in small letters
  return text.replace(/\b(?:WEATHER_)?([A-Z][A-Z0-9]*(?:_[A-Z0-9]+)+|(?<=WEATHER_)[A-Z]+)\b/g, (_, name) => name.replaceAll("_", " ").toLowerCase());
}

function sentence(text) {
  if (!text) return "";
  const whole = text[0].toUpperCase() + text.slice(1);
  return /[.!?…]$/.test(whole) ? whole : `${whole}.`;
}

function figure(value, decimals, unit) {
  return value === null || value === undefined ? "" : `${value.toFixed(decimals)}${unit}`;
}

// The present --------------------------------------------------------------------------------

function tell() {
  const s = status;
  const zone = s.time_zone;
  document.title = `${s.phase} – ${s.observatory}`;
  say("place", [s.observatory, s.night && `night of ${s.night}`].filter(Boolean).join(", "));
  say("phase", sentence(s.phase + (s.target ? `, ${s.target}` : "")));
  const since = s.since_utc ? `Since ${clock(s.since_utc)} ${zone}` : "";
  say("why", [since, readable(s.reason)].filter(Boolean).join(": ") + (since || s.reason ? "." : ""));
  tellNext(s);
  tellSafety(s);
  tellTally(s);
  tellFrame(s);
  tellProblems(s);
  const focus = s.focus;
  say("looked", focus && focus.looked_utc
    ? `Focus was looked at ${clock(focus.looked_utc)}: ${focus.found}.` : "");
  draw();
  tick();
}

function tellNext(s) {
  const said = [];
  if (s.paused_by) said.push(`Paused by ${s.paused_by}.`);
  if (s.retiring_for) said.push(`The end was asked for by ${s.retiring_for}.`);
  if (s.next) said.push(`Next: ${s.next.what}${s.next.at_utc ? `, ${clock(s.next.at_utc)}` : ""}.`);
  say("next", said.join(" "));
  const plan = s.plan.map((one) => `${one.target} ${clock(one.begins_utc)}–${clock(one.ends_utc)}`);
  const dark = s.dark_begins_utc && s.dark_ends_utc
    ? `Dark from ${clock(s.dark_begins_utc)} to ${clock(s.dark_ends_utc)} ${s.time_zone}.` : "";
  say("later", [plan.length ? `Plan: ${plan.join(", ")}.` : "", dark].filter(Boolean).join(" "));
}

function tellSafety(s) {
  const safety = s.safety;
  if (!safety) return say("safety", "Nothing is known of weather, roof and mount yet.");
  const news = safety.weather.filter((one) => !s.reason.includes(one)).map(readable);
  const weather = safety.weather.length
    ? `The weather is against an open roof${news.length ? `: ${news.join("; ")}` : ""}.`
    : "Nothing in the weather is against an open roof.";
  const roof = safety.roof === "none" ? "There is no roof" : `The roof is ${safety.roof}`;
  const known = safety.roof === "unknown" ? "It is not known whether the roof is open" : roof;
  const pier = safety.mount === "tracking" && ["east", "west"].includes(safety.pier_side) ? ` ${safety.pier_side} of its pier` : "";
  const mount = safety.mount === "unknown"
    ? "what the mount does is not known" : `the mount is ${safety.mount}${pier}`;
  const safe = safety.safe ? " Parked and closed were seen." : "";
  say("safety", `${weather} ${known}, ${mount}.${safe}`);
}

function tellTally(s) {
  const running = s.tally.filter((one) => one.target === s.target);
  const others = s.tally.filter((one) => one.target !== s.target);
  at("tally").replaceChildren(...[...running, ...others].map(targetOf));
}

function targetOf(one) {
  const whole = made("div", "target");
  const heading = made("h2");
  heading.textContent = `${one.target}, ${long(one.accepted_s)} in all`;
  const most = Math.max(...one.filters.map((f) => f.accepted_s), 1);
  whole.append(heading, ...one.filters.map((f) => filterOf(f, most)));
  return whole;
}

function filterOf(f, most) {
  const row = made("div", "filter");
  const name = made("span");
  const got = made("span");
  name.textContent = f.filter;
  const ahead = Math.abs(f.ahead_cycles) < 0.005 ? ""
    : ` (${Math.abs(f.ahead_cycles).toFixed(2)} cycles ${f.ahead_cycles > 0 ? "ahead" : "behind"})`;
  got.textContent = (f.wanted_s ? `${long(f.accepted_s)} of ${long(f.wanted_s)}` : long(f.accepted_s)) + ahead;
  const way = made("div", "way");
  const part = made("div");
  part.style.width = `${Math.min(100, (100 * f.accepted_s) / (f.wanted_s || most))}%`;
  way.append(part);
  row.append(name, got, way);
  return row;
}

function tellFrame(s) {
  const frame = s.last_frame;
  at("frame").hidden = !frame;
  if (!frame) return;
  const size = figure(frame.half_flux_radius_arcsec, 2, "″") || figure(frame.half_flux_radius_px, 2, " px");
  const measured = [frame.stars === null ? "" : `${frame.stars} stars`, size && `half-flux radius ${size}`];
  const seen = measured.filter(Boolean).join(", ");
  const kept = frame.accepted ? "kept" : `not kept, ${frame.reason}`;
  say("caption", sentence(`The last frame, ${frame.target} in ${frame.filter}, ${frame.exposure_s} s, ${clock(frame.utc)}: ${kept}${seen && `; ${seen}`}`));
  const picture = at("preview");
  if (picture.dataset.uid !== frame.uid) {
    picture.dataset.uid = frame.uid;
    picture.parentElement.hidden = false;
    picture.src = `preview?frame=${encodeURIComponent(frame.uid)}`;
  }
}

function tellProblems(s) {
  const latest = s.problems.slice(-5).reverse();
  at("troubles").hidden = !latest.length;
  at("problems").replaceChildren(...latest.map((one) => {
    const line = made("li");
    line.textContent = `${clock(one.utc)} ${readable(one.text)}`;
    return line;
  }));
}

function made(kind, name = "") {
  const element = document.createElement(kind);
  if (name) element.className = name;
  return element;
}

// Each second --------------------------------------------------------------------------------

function tick() {
  if (!status) return silence();
  const now = Date.now() + aheadMs;
  say("clock", `${clock(now, true)} ${status.time_zone}`);
  const exposing = status.exposing;
  at("now").hidden = !exposing;
  if (exposing) {
    const open = Math.min(exposing.exposure_s, Math.max(0, (now - new Date(exposing.begun_utc)) / 1000));
    say("exposing", `The shutter is open in ${exposing.filter}: ${short(open)} of ${short(exposing.exposure_s)}.`);
    at("open").style.width = `${(100 * open) / exposing.exposure_s}%`;
  }
  silence();
}

function silence() {
  const quiet = failed && (!status || Date.now() - heardMs > 2 * EVERY_MS);
  at("silence").hidden = !quiet;
  if (quiet) say("silence", status ? `No word from the daemon since ${clock(heardMs + aheadMs, true)}: ${failed}.` : `No word from the daemon: ${failed}.`);
}

// The night so far ---------------------------------------------------------------------------

function take(name, data) {
  const ms = new Date(data.utc).getTime();
  switch (name) {
    case "night_begun":
      if (data.night !== night.name) night = fresh(data.night);
      break;
    case "frame_accepted":
    case "frame_rejected":
      night.frames.set(data.uid, { ms, kept: name === "frame_accepted", ...data });
      break;
    case "frame_taken_back":
      if (night.frames.has(data.uid)) night.frames.get(data.uid).kept = false;
      break;
    case "filter_changed":
      if (data.focuser_steps !== null) night.positions.push({ ms, filter: data.after, steps: data.focuser_steps });
      break;
    case "focus_curve":
    case "focus_checked":
      night.looks.push(ms);
  }
}

function draw() {
  const frames = [...night.frames.values()].sort((a, b) => a.ms - b.ms);
  at("curves").hidden = frames.length < 2;
  if (frames.length < 2) return;
  const scale = status.scale_arcsec_per_px;
  const [unit, factor] = scale ? ["″", scale] : [" px", 1];
  const of = (key, by = 1) => frames.filter((f) => f[key] !== null && f[key] !== undefined)
    .map((f) => ({ ms: f.ms, y: by * f[key], kept: f.kept }));
  const counts = new Map();
  for (const one of night.positions) counts.set(one.filter, (counts.get(one.filter) || 0) + 1);
  const most = [...counts].sort((a, b) => b[1] - a[1])[0];
  const steps = most ? night.positions.filter((p) => p.filter === most[0]).map((p) => ({ ms: p.ms, y: p.steps, kept: true })) : [];
  const span = [frames[0].ms, Math.max(frames.at(-1).ms, frames[0].ms + 1000)];
  say("from", clock(span[0]));
  say("to", clock(span[1]));
  curve("size", "Star size", of("half_flux_radius_px", factor), span, [2, unit], true);
  curve("guiding", "Guiding error", of("guide_rms_arcsec"), span, [2, "″"], true);
  curve("light", "Transparency", of("transparency", 100), span, [0, " %"], true);
  curve("focus", `Focuser${most ? ` with ${most[0]}` : ""}`, steps, span, [0, " steps"], false, night.looks);
}

function curve(id, words, points, [from, to], [decimals, unit], fromZero, marks = []) {
  const whole = at(id);
  const inside = points.filter((p) => p.ms >= from && p.ms <= to);
  whole.hidden = inside.length < 2;
  if (whole.hidden) return;
  const values = inside.map((p) => p.y);
  const low = fromZero ? 0 : Math.min(...values) - 1;
  const high = Math.max(...values) * (fromZero ? 1.05 : 1) + (fromZero ? 1e-9 : 1);
  const x = (ms) => (1000 * (ms - from)) / (to - from);
  const y = (value) => 100 - (100 * (value - low)) / (high - low);
  const svg = drawn("svg", { viewBox: "0 0 1000 100", preserveAspectRatio: "none", role: "img" });
  svg.setAttribute("aria-label", `${words} since ${clock(from)}: ${spread(values, decimals, unit)}`);
  svg.append(drawn("line", { x1: 0, x2: 1000, y1: 100, y2: 100 }));
  for (const ms of marks.filter((one) => one >= from && one <= to)) {
    svg.append(drawn("line", { x1: x(ms), x2: x(ms), y1: 80, y2: 100, class: "mark" }));
  }
  svg.append(drawn("path", { d: inside.map((p, i) => `${i ? "L" : "M"}${x(p.ms).toFixed(1)} ${y(p.y).toFixed(1)}`).join("") }));
  for (const p of inside.filter((one) => !one.kept)) {
    svg.append(drawn("line", { x1: x(p.ms), x2: x(p.ms), y1: y(p.y) - 14, y2: y(p.y) + 14, class: "refused" }));
  }
  const caption = made("figcaption");
  const label = made("span");
  const value = made("span");
  label.textContent = words;
  value.textContent = newest(values, decimals, unit);
  caption.append(label, value);
  whole.replaceChildren(caption, svg);
}

function spread(values, decimals, unit) {
  const [low, high] = [Math.min(...values), Math.max(...values)].map((y) => figure(y, decimals, ""));
  return low === high ? "steady" : `${low} to ${high}${unit}`;
}

function newest(values, decimals, unit) {
  const said = spread(values, decimals, unit);
  const last = figure(values.at(-1), decimals, said === "steady" ? unit : "");
  return said === "steady" ? `${last}, steady` : `${last} (${said})`;
}

function drawn(kind, attributes) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", kind);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

// Asking and hearing -------------------------------------------------------------------------

let asking = false;

async function ask() {
  if (asking) return;
  asking = true;
  try {
    const answer = await fetch("status", { signal: AbortSignal.timeout(2 * EVERY_MS) });
    if (answer.status === 401) location.reload();
    if (!answer.ok) throw new Error(`it answers ${answer.status}`);
    status = await answer.json();
    heardMs = Date.now();
    aheadMs = new Date(status.utc).getTime() - heardMs;
    failed = "";
    tell();
  } catch (error) {
    failed = error instanceof TypeError || error.name === "TimeoutError" ? "it cannot be reached" : error.message;
    silence();
  } finally {
    asking = false;
  }
}

let lastId = "night";
let soon = 0;

function hear() {
  const stream = new EventSource(`log?${HEARD.map((name) => `event=${name}`).join("&")}&from=${lastId}`);
  for (const name of HEARD) {
    stream.addEventListener(name, (event) => {
      lastId = event.lastEventId;
      take(name, JSON.parse(event.data));
      clearTimeout(soon); // once for a whole history
      soon = setTimeout(ask, SOON_MS);
    });
  }
  stream.onerror = () => {
    if (stream.readyState === EventSource.CLOSED) setTimeout(hear, AGAIN_MS);
  };
}

// Looks --------------------------------------------------------------------------------------

function look(name) {
  document.documentElement.dataset.look = name;
  say("look", name === "day" ? "Look by night" : "Look by day");
}

function remembered() {
  try {
    return localStorage.getItem("look");
  } catch {
    return null; // a browser that remembers nothing
  }
}

at("look").addEventListener("click", () => {
  const name = document.documentElement.dataset.look === "day" ? "dark" : "day";
  look(name);
  try {
    localStorage.setItem("look", name);
  } catch {
    // it is forgotten with the page
  }
});
at("preview").addEventListener("error", (event) => { event.target.parentElement.hidden = true; });
look(remembered() === "day" ? "day" : "dark");
ask();
hear();
setInterval(ask, EVERY_MS);
setInterval(tick, 1000);
