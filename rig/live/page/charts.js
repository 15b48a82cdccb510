// A curve over time as SVG, drawn at the size it has on the screen so that its text stays legible.
const NS = "http://www.w3.org/2000/svg";
const HIGH = 132, LEFT = 46, RIGHT = 10, TOP = 16, BOTTOM = 22;

function make(name, attributes, text) {
  const found = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) found.setAttribute(key, value);
  if (text !== undefined) found.textContent = text;
  return found;
}

// A step of 1, 2 or 5 times a power of ten that gives at most `most` steps.
export function step(span, most) {
  const raw = Math.max(span, 1e-9) / most, decade = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((one) => one * decade).find((one) => one >= raw * 0.999);
}

export function minutesStep(minutes, most) {
  return [1, 2, 5, 10, 20, 30, 60, 120, 240, 480, 720, 1440, 2880].find((one) => minutes / one <= most) || 5760;
}

function hours(minutes) {
  return `${Math.floor(minutes / 60)}:${String(Math.round(minutes % 60)).padStart(2, "0")}`;
}

// chart: {title, unit, css, decimals, zooms, now, points: [[s, low, high]], marks: [[s, label]]}
export function draw(place, chart) {
  const points = chart.points;
  place.hidden = points.length === 0;
  if (place.hidden) return;
  const wide = Math.max(260, place.clientWidth || 320);
  const minutes = points.map((one) => one[0] / 60);
  const first = Math.min(0, minutes[0]), last = Math.max(minutes[minutes.length - 1], first + 1);
  const top = points.reduce((most, one) => Math.max(most, one[2]), -Infinity);
  const low = points.reduce((least, one) => Math.min(least, one[1]), Infinity);
  // What hardly changes is drawn large, so that it can be seen to settle; all else from zero.
  const base = chart.zooms && low > 0.8 * top ? low : Math.min(low, 0);
  const rise = step(Math.max(top - base, 0.002 * Math.abs(top), 0.01), 4);
  const floor = Math.floor(base / rise + 1e-9) * rise;
  const ceiling = Math.max(Math.ceil(top / rise - 1e-9) * rise, floor + rise);
  const x = (at) => LEFT + ((at - first) / (last - first)) * (wide - LEFT - RIGHT);
  const y = (value) => HIGH - BOTTOM - ((value - floor) / (ceiling - floor)) * (HIGH - TOP - BOTTOM);
  const newest = (chart.now ?? points[points.length - 1][2]).toFixed(chart.decimals);
  const words = `${chart.title}: now ${newest} ${chart.unit}; from ${low.toFixed(chart.decimals)} to ` +
    `${top.toFixed(chart.decimals)} ${chart.unit} in ${last.toFixed(0)} minutes`;
  const svg = make("svg", {viewBox: `0 0 ${wide} ${HIGH}`, role: "img", "aria-label": words});
  for (let value = floor; value <= ceiling + rise / 2; value += rise) {
    svg.append(make("line", {class: "grid", x1: LEFT, x2: wide - RIGHT, y1: y(value), y2: y(value)}));
    svg.append(make("text", {x: LEFT - 6, y: y(value) + 4, "text-anchor": "end"}, String(Math.round(value * 100) / 100)));
  }
  const each = minutesStep(last - first, Math.max(2, Math.floor((wide - LEFT) / 70)));
  for (let at = Math.ceil(first / each) * each; at <= last + 1e-9; at += each) {
    svg.append(make("line", {class: "axis", x1: x(at), x2: x(at), y1: HIGH - BOTTOM, y2: HIGH - BOTTOM + 4}));
    const text = last - first > 120 ? hours(at) : String(at);
    svg.append(make("text", {x: x(at), y: HIGH - 5, "text-anchor": "middle"}, text));
  }
  svg.append(make("line", {class: "axis", x1: LEFT, x2: wide - RIGHT, y1: HIGH - BOTTOM, y2: HIGH - BOTTOM}));
  let free = -1e9;
  for (const [seconds, label] of chart.marks || []) {
    const at = x(seconds / 60);
    if (seconds / 60 < first || seconds / 60 > last) continue;
    svg.append(make("line", {class: "mark", x1: at, x2: at, y1: TOP, y2: HIGH - BOTTOM}));
    const room = label.length * 6.6 + 6;
    if (at < free || at + room > wide) continue;
    svg.append(make("text", {x: at + 3, y: TOP - 4}, label));
    free = at + room;
  }
  const path = points.map(([s, a, b], at) => {
    const across = x(s / 60).toFixed(1), here = y(b).toFixed(1);
    return (at ? "L" : "M") + across + " " + here + (a === b ? "" : `L${across} ${y(a).toFixed(1)}`);
  });
  svg.append(make("path", {class: `line ${chart.css}`, d: path.join("")}));
  const caption = document.createElement("figcaption"), value = document.createElement("b");
  value.textContent = `${newest} ${chart.unit}`;
  caption.append(`${chart.title}, over ${last - first > 120 ? "hours" : "minutes"}`, value);
  const figure = document.createElement("figure");
  figure.className = "chart";
  figure.append(caption, svg);
  place.replaceChildren(figure);
}
