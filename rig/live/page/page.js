// What the server tells, shown. Nothing is ever sent but the wish to look.
import {draw} from "/page/charts.js";
import {Plane, number} from "/page/map.js";

const by = (id) => document.getElementById(id);
const part = location.pathname.match(/^\/run\/([^/]+)\/?$/);
const SIGNS = {
  going: '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="2.5"/><circle cx="12" cy="12" r="4" fill="currentColor"/>',
  done: '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="2.5"/><path d="M7.5 12.5l3 3 6-7" fill="none" stroke="currentColor" stroke-width="2.5"/>',
  paused: '<path d="M7 4v16M17 4v16" stroke="currentColor" stroke-width="4.5"/>',
  asks: '<circle cx="12" cy="7" r="4.2" fill="currentColor"/><path d="M4 22c0-6 3.5-9 8-9s8 3 8 9z" fill="currentColor"/>',
  stopped: '<path d="M4 4h16v16H4z" fill="currentColor"/>',
  silent: '<path d="M12 2.5 22.5 21h-21z" fill="none" stroke="currentColor" stroke-width="2.3"/><path d="M12 9v6M12 17v2" stroke="currentColor" stroke-width="2.3"/>',
};
const REPORTS = {"report.html": "Report", "report-lab.html": "For the lab's file", "report-public.html": "For the public"};
const plane = new Plane(by("plane"));
let about = null, told = null, chosen = "", shownState = "", lastWord = 0;

function fresh() {
  return {facts: {}, state: {}, maps: {}, map: "", curves: {}, marks: [], events: {last: [], unusual: []}};
}

function minutes(seconds) {
  const whole = Math.round(seconds / 60);
  if (seconds < 60) return "less than a minute";
  if (whole >= 2880) return `${Math.floor(whole / 1440)} days`;
  return whole < 90 ? `${whole} min` : `${Math.floor(whole / 60)} h ${String(whole % 60).padStart(2, "0")} min`;
}

function rows(list, pairs) {
  list.replaceChildren(...pairs.filter((one) => one[1]).map(([name, value, unit]) => {
    const term = document.createElement("dt"), said = document.createElement("dd");
    term.textContent = name;
    said.textContent = value;
    if (unit) {
      const small = document.createElement("small");
      small.textContent = ` ${unit}`;
      said.append(small);
    }
    const pair = document.createElement("div");
    pair.append(term, said);
    return pair;
  }));
}

function hidden(name, text) {
  by(name).hidden = !text;
  by(name).textContent = text || "";
}

function showState() {
  const state = told.state, map = told.maps[told.map];
  by("state").dataset.kind = state.kind;
  if (shownState !== state.kind) {
    by("sign").innerHTML = `<svg viewBox="0 0 24 24">${SIGNS[state.kind] || SIGNS.silent}</svg>`;
    shownState = state.kind;
  }
  by("word").textContent = state.word;
  by("sentence").textContent = state.sentence;
  const words = `${state.word}. ${state.sentence}`;
  // Said aloud when it changes, and only then: not every reading.
  if (by("said").textContent !== words) by("said").textContent = words;
  document.title = `${state.word}: ${told.facts.device || "Evenfall"}`;
  const remarks = [];
  if (state.silent_s) remarks.push(`Nothing has been written for ${minutes(state.silent_s)}.`);
  if (state.damaged) remarks.push(`${state.damaged} damaged stretch${state.damaged === 1 ? "" : "es"} in the files, left out here.`);
  hidden("silent", remarks.join(" "));
  const far = map && (state.kind === "going" || state.kind === "paused" || state.kind === "asks" || map.read < map.expected);
  by("far").hidden = !far && state.left_s === null;
  by("bar").hidden = !far;
  by("count").textContent = far ? `${map.read} of ${map.expected} points, ${map.label}` : "";
  const roughly = state.left_is_least ? "at least " : state.left_s < 60 ? "" : "about ";
  by("left").textContent = state.left_s === null ? "" :
    `${roughly}${minutes(state.left_s)} left${state.left_of_map ? " of this map" : ""}`;
  if (far) { by("bar").max = map.expected; by("bar").value = map.read; }
  const figures = [];
  if (state.watts !== null) figures.push([state.kind === "going" || state.kind === "asks" ? "Wall power now" : "Wall power, last", state.watts.toFixed(1), "W"]);
  if (map && map.mean !== null) figures.push([map.read < map.expected ? "Mean so far" : "Mean", number(map.mean), "µmol m⁻² s⁻¹"]);
  if (map && map.min_to_mean !== null) figures.push(["Minimum to mean", map.min_to_mean.toFixed(2), ""]);
  if (map && map.reference_percent !== null) {
    const sign = map.reference_percent < 0 ? "−" : "+";
    figures.push(["Reference point", `${sign}${Math.abs(map.reference_percent).toFixed(2)}`, "% in this map"]);
  }
  rows(by("figures"), figures);
  const report = by("report");
  report.hidden = !state.report;
  if (state.report) report.href = `/run/${encodeURIComponent(told.facts.run)}/report.html`;
}

function showFacts() {
  const facts = told.facts;
  by("device").textContent = facts.device || facts.run || "A run that cannot be read";
  by("test").textContent = facts.title && facts.title !== facts.device ? facts.title : "";
  if (!facts.run || !facts.grid) return;
  rows(by("facts"), [
    ["Run", facts.run], ["Begun", `${facts.begun.slice(0, 16).replace("T", " ")} UTC`],
    ["Specimen", facts.specimen], ["Lamp", facts.lamp], ["Grid", facts.grid.label],
    ["Area", `${facts.grid.width_mm} × ${facts.grid.depth_mm} mm`], ["Operator", facts.operator],
  ]);
}

function showMap() {
  const keys = Object.keys(told.maps);
  if (!keys.length || !told.facts.grid) {
    by("heights").hidden = true;
    by("map-note").textContent = "";
    return plane.clear();
  }
  const shown = told.maps[chosen] ? chosen : told.maps[told.map] ? told.map : keys[keys.length - 1];
  const map = told.maps[shown];
  // One scale for all maps of the run, so that they can be compared.
  const top = Math.max(...keys.map((key) => told.maps[key].top));
  plane.show(told.facts.grid, map, top, about.palette);
  by("map-title").textContent = `Light on the plane at ${map.label}, as read`;
  by("map-note").textContent = "PPFD in µmol m⁻² s⁻¹, mean of the samples of each point; nothing is subtracted or " +
    "corrected yet, the report does that." + (map.last !== null && map.last !== undefined ? " Ringed: read last; dashed: next." : "") +
    (Object.keys(map.odd).length ? " Hatched: no valid value." : "");
  const group = by("heights");
  group.hidden = keys.length < 2;
  if (group.hidden) return;
  if (group.dataset.keys !== keys.join(" ")) {
    group.dataset.keys = keys.join(" ");
    group.replaceChildren(...keys.map((key) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = told.maps[key].label;
      button.addEventListener("click", () => { chosen = key === told.map ? "" : key; showMap(); });
      return button;
    }));
  }
  [...group.children].forEach((button, at) => button.setAttribute("aria-pressed", String(keys[at] === shown)));
}

function showCurves() {
  const points = (name) => (told.curves[name] || []);
  const stable = told.marks.filter((one) => one[1] === "stable").slice(-1);
  const from = told.state.warm_up_from_s || 0;
  const marks = stable.map(([at, label]) => [at - from, label]);
  draw(by("chart-light"), {title: "Light in warm-up", unit: "µmol m⁻² s⁻¹", css: "light", decimals: 1, zooms: true, points: points("warm-up light"), marks});
  draw(by("chart-warm"), {title: "Wall power in warm-up", unit: "W", css: "watts", decimals: 1, zooms: true, points: points("warm-up power"), marks});
  draw(by("chart-power"), {title: "Wall power, whole run", unit: "W", css: "watts", decimals: 1, points: points("power"), marks: told.marks, now: told.state.watts ?? undefined});
  by("no-curves").hidden = ["warm-up light", "warm-up power", "power"].some((name) => points(name).length);
}

function showEvents() {
  by("events").replaceChildren(...told.events.last.map((event) => {
    const item = document.createElement("li"), time = document.createElement("time"), text = document.createElement("span");
    time.dateTime = event.utc;
    time.textContent = event.utc.slice(11, 16);
    text.textContent = event.text;
    item.append(time, text);
    return item;
  }));
  by("no-events").hidden = told.events.last.length > 0;
  const unusual = told.events.unusual;
  by("trouble").hidden = unusual.length === 0;
  by("unusual").replaceChildren(...unusual.map((line) => {
    const item = document.createElement("li"), time = document.createElement("time"), means = document.createElement("span");
    time.textContent = `${line.when} `;
    means.textContent = line.means;
    item.append(time, line.what, means);
    return item;
  }));
  if (told.events.unusual_further) {
    const item = document.createElement("li");
    item.textContent = `and ${told.events.unusual_further} earlier; the report lists all.`;
    by("unusual").append(item);
  }
}

function take(news) {
  const before = told.state;
  for (const name of ["facts", "state", "map", "marks", "events"]) if (name in news) told[name] = news[name];
  Object.assign(told.maps, news.maps || {});
  for (const [name, {at, points}] of Object.entries(news.curves || {})) {
    told.curves[name] = (told.curves[name] || []).slice(0, at).concat(points);
  }
  if (news.facts) showFacts();
  if (news.state) showState();
  if (news.maps || news.facts) showMap();
  if (news.curves || news.marks) showCurves();
  if (news.events) showEvents();
  document.body.dataset.newest = told.state.newest_utc || "";
  const is_new = before.kind !== told.state.kind || before.report !== told.state.report;
  if (before.kind && is_new && about.is_lab) history();
}

function connect() {
  const source = new EventSource(part ? `/run/${part[1]}/stream` : "/stream");
  const alive = () => {
    lastWord = Date.now();
    by("link").dataset.on = "yes";
    by("link").textContent = "Live";
  };
  source.addEventListener("all", (event) => {
    alive();
    const run = told && told.facts.run;
    told = fresh();
    shownState = "";
    const everything = JSON.parse(event.data);
    if (run !== everything.facts.run) chosen = "";
    take(everything);
    if (run && run !== told.facts.run && about.is_lab) history();
  });
  source.addEventListener("news", (event) => { alive(); if (told) take(JSON.parse(event.data)); });
  source.addEventListener("none", () => {
    alive();
    by("word").textContent = "No run yet";
    by("sentence").textContent = "As soon as a run begins in this lab folder it is shown here.";
  });
  source.addEventListener("beat", (event) => {
    alive();
    by("time").textContent = `; it is ${JSON.parse(event.data).utc.slice(11, 16)}`;
  });
  source.addEventListener("error", () => lost(source));
  setInterval(() => { if (lastWord && Date.now() - lastWord > 15000) lost(); }, 3000);
}

function lost(source) {
  by("link").dataset.on = "no";
  by("link").textContent = "No connection: what is shown may be old";
  // A browser gives up for good on an answer that is no stream; a person is told then.
  if (source && source.readyState === EventSource.CLOSED) by("link").textContent = "Closed by the server: load the page again";
}

async function history(before = "") {
  const answer = await fetch(`/runs.json?before=${encodeURIComponent(before)}`);
  if (!answer.ok) return;
  const page = await answer.json();
  by("history").hidden = false;
  const lines = page.runs.map((run) => {
    const line = document.createElement("tr");
    const cell = (name, content) => {
      const found = document.createElement("td");
      found.className = name;
      found.append(...[content].flat());
      line.append(found);
    };
    const link = document.createElement("a");
    link.href = `/run/${encodeURIComponent(run.run)}`;
    link.textContent = run.device || run.run;
    cell("begun", run.begun.slice(0, 16).replace("T", " ") || "–");
    cell("device", link);
    cell("maps", run.maps.map((text) => { const one = document.createElement("div"); one.textContent = text; return one; }));
    cell("how", run.state);
    const reports = (run.reports || []).map((name) => {
      const place = document.createElement("div"), report = document.createElement("a");
      report.href = `/run/${encodeURIComponent(run.run)}/${name}`;
      report.textContent = REPORTS[name];
      report.setAttribute("aria-label", `${REPORTS[name]}: ${run.device}, ${run.begun.slice(0, 10)}`);
      place.append(report);
      return place;
    });
    cell("to", reports.length ? reports : "no report");
    return line;
  });
  if (before) by("runs").append(...lines); else by("runs").replaceChildren(...lines);
  by("told").textContent = before ? `${lines.length} older runs added.` : page.runs.length ? "" : "No runs yet.";
  by("older").hidden = !page.has_older;
  by("older").onclick = () => history(page.runs[page.runs.length - 1].run);
}

about = await (await fetch("/about.json")).json();
by("lab").textContent = about.is_lab ? `Evenfall · ${about.title}` : "Evenfall";
connect();
if (about.is_lab) history();
let wait = 0;
addEventListener("resize", () => { clearTimeout(wait); wait = setTimeout(() => told && showCurves(), 150); });
