"use strict";
// Draws what the bench sends: one card for each reading, one for each reason against a flight. Text from the board goes
// into the page as text only, never as markup.

const SVG = "http://www.w3.org/2000/svg";
const HEIGHT = 76, LEFT = 4, RIGHT = 52, TOP = 8, BOTTOM = 8;
const MINUTE_S = 60;
const cards = new Map();

const byId = (id) => document.getElementById(id);

function element(name, className, text) {
  const made = document.createElement(name);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

function shape(name, attributes) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

function cardFor(row) {
  if (cards.has(row.key)) return cards.get(row.key);
  const card = element("article");
  card.id = "reading-" + row.key;
  card.append(element("h2", "", row.title));
  const line = element("div", "line");
  const value = element("span", "value");
  const number = element("span", "number");
  value.append(number, document.createTextNode(" "), element("small", "", row.unit));
  const age = element("span", "age");
  line.append(value, age);
  const svg = shape("svg", { role: "img" });
  card.append(line, svg);
  byId("readings").append(card);
  const made = { card, number, age, svg };
  cards.set(row.key, made);
  return made;
}

function draw(svg, row) {
  svg.replaceChildren();
  svg.setAttribute("aria-label", row.range ? `${row.title}, last minute: ${row.range} ${row.unit}` : row.title);
  if (!row.trend.length) return;
  const width = svg.clientWidth || 300;
  svg.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
  // a still reading is a line in the middle, not noise blown up to the whole height
  const span = Math.max(row.high - row.low, row.span_min);
  const lowest = (row.low + row.high - span) / 2;
  const bottom = row.low >= 0 ? Math.max(lowest, 0) : lowest; // what is never negative gets no negative scale
  const x = (before) => LEFT + (1 - Math.min(before, MINUTE_S) / MINUTE_S) * (width - LEFT - RIGHT);
  const y = (value) => TOP + (1 - (value - bottom) / span) * (HEIGHT - TOP - BOTTOM);
  for (const place of [TOP, HEIGHT / 2, HEIGHT - BOTTOM]) {
    svg.append(shape("line", { class: "grid", x1: LEFT, x2: width - RIGHT, y1: place, y2: place }));
  }
  let path = "", last = null;
  const gap = Math.max(6, 4 * (row.trend[0][0] - row.trend[row.trend.length - 1][0]) / row.trend.length);
  for (const [before, value] of row.trend) {
    path += (last === null || last - before > gap ? "M" : "L") + x(before).toFixed(1) + " " + y(value).toFixed(1);
    last = before;
  }
  svg.append(shape("path", { class: "plot", d: path }));
  const end = row.trend[row.trend.length - 1];
  svg.append(shape("circle", { class: "dot", cx: x(end[0]), cy: y(end[1]), r: 2.6 }));
  for (const [value, place] of [[bottom + span, TOP + 4], [bottom, HEIGHT - BOTTOM + 2]]) {
    const label = shape("text", { x: width - RIGHT + 6, y: place });
    label.textContent = value.toFixed(row.digits);
    svg.append(label);
  }
}

function showRow(row) {
  const { card, number, age, svg } = cardFor(row);
  card.className = row.value === null ? "none" : row.is_old ? "old" : "";
  number.textContent = row.value === null ? "nothing yet" : row.text;
  age.textContent = row.age_s === null ? "" : row.is_old ? `old: ${row.age_s.toFixed(0)} s` : `${row.age_s.toFixed(1)} s ago`;
  draw(svg, row);
}

function showFindings(findings) {
  const place = byId("findings");
  const key = JSON.stringify(findings.map((one) => [one.name, one.measured, one.do]));
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  place.replaceChildren(...findings.map((one) => {
    const stops = one.verdict === "no-go";
    const card = element("article", stops ? "nogo" : "warning");
    card.append(element("h2", "", `${stops ? "✕" : "!"} ${one.name}${one.measured ? ": " + one.measured : ""}`));
    card.append(element("p", "soft", one.why), element("p", "do", "What to do: " + one.do));
    return card;
  }));
}

function show(state) {
  const verdict = byId("verdict");
  verdict.textContent = state.verdict || "listening";
  verdict.className = { GO: "go", "NO-GO": "stop" }[state.verdict] || "waiting";
  document.title = `${state.verdict || "listening"}, bench`;
  byId("sentence").textContent = state.sentence;
  byId("link").textContent = state.link;
  byId("simulated").hidden = !state.simulated;
  showFindings(state.findings);
  state.rows.forEach(showRow);
}

function ended(text) {
  byId("link").textContent = text;
  const verdict = byId("verdict");
  if (verdict.className !== "go" && verdict.className !== "stop") verdict.textContent = "ended";
}

const source = new EventSource("/readings");
source.onmessage = (message) => show(JSON.parse(message.data));
source.addEventListener("end", () => { source.close(); ended("The bench has ended; this is its last picture."); });
source.onerror = () => ended("The bench does not answer; is it still running in its terminal?");
