"use strict";
// Shows what /v1/live sends. A value that may be old is never shown as a new one: when the stream is silent for
// SILENT_MS, or says nothing of a station for so long, the numbers give way to words until there is news.
const SILENT_MS = 5000;
const cards = new Map();
let heardAt = 0;

function element(tag, className, text) {
  const e = document.createElement(tag);
  if (className) e.className = className;
  if (text !== undefined) e.textContent = text;
  return e;
}

function duration(s) {
  s = Math.max(0, Math.floor(s));
  const two = (n) => String(n).padStart(2, "0");
  return `${Math.floor(s / 3600)}:${two(Math.floor(s / 60) % 60)}:${two(s % 60)}`;
}

function rateText(s) {
  if (s.rate_mbar_per_min === null) return "";
  const where = s.rate_from === "last-test" ? " in the last drop test" : "";
  const limit = s.limit_mbar_per_min === null || s.rate_from === "watch" ? "" : `, limit ${s.limit_mbar_per_min.toFixed(3)}`;
  return `${s.rate_mbar_per_min >= 0 ? "+" : "\u2212"}${Math.abs(s.rate_mbar_per_min).toFixed(3)} \u00b1 ` +
    `${s.u_rate_mbar_per_min.toFixed(3)} mbar/min${where}${limit}`;
}

function alarmItem(alarm) {
  const li = element("li", alarm.calls ? "calls" : "");
  const cause = alarm.cause === null ? "" : `, cause ${alarm.cause} (${Math.round(100 * alarm.confidence)} %)`;
  li.append(element("p", "", `${alarm.calls ? "ALARM" : "Alarm"} ${alarm.alarm}, ${alarm.priority}, ${alarm.state}${cause}`));
  for (const text of [alarm.evidence, alarm.advice])
    if (text) li.append(element("p", "", text));
  return li;
}

function draw(s) {
  const card = element("article", s.alarms.some((a) => a.calls) ? "calls" : "");
  const head = element("div", "head");
  head.append(element("h2", "", `Station ${s.name}`), element("span", "phase", `${s.phase}, ${duration(s.in_phase_s)}`));
  card.append(head, element("div", "part", s.part === null ? "no part" : `${s.part}, run ${s.run_number}`));
  const value = element("p", "value");
  if (s.pressure_mbar === null) value.append("no value");
  else value.append(s.pressure_mbar.toFixed(2), element("small", "", " mbar absolute"));
  card.append(value);
  if (s.quality !== "good") card.append(element("p", "rate", `Reading ${s.quality}${s.reason ? `: ${s.reason}` : ""}`));
  card.append(element("p", "rate", rateText(s)), element("p", "advice", s.advice));
  if (s.alarms.length) {
    const list = element("ul", "alarms");
    s.alarms.forEach((a) => list.append(alarmItem(a)));
    card.append(list);
  }
  return card;
}

function show(s) {
  const card = draw(s), old = cards.get(s.name);
  if (old) old.card.replaceWith(card);
  else document.getElementById("stations").append(card);
  cards.set(s.name, {card, heardAt: Date.now()});
}

function say(text, lost) {
  const line = document.getElementById("connection");
  if (line.textContent === text) return;
  line.textContent = text;
  line.className = lost ? "lost" : "";
}

function heard(event) {
  heardAt = Date.now();
  say("Connected: readings as they come.", false);
  show(JSON.parse(event.data));
}

function blank(card) {
  card.querySelector(".value").textContent = "no news";
  for (const line of card.querySelectorAll(".rate")) line.textContent = "";
}

function watchSilence() {
  for (const entry of cards.values())
    if (Date.now() - entry.heardAt >= SILENT_MS) blank(entry.card);
  if (Date.now() - heardAt < SILENT_MS) return;
  say(heardAt ? `NO CONNECTION to tautd since ${new Date(heardAt).toLocaleTimeString()}. Trying again.` :
    "No answer from tautd yet. Trying again.", heardAt !== 0);
}

function connect() {
  const stream = new EventSource("/v1/live");
  for (const name of ["sweep", "phase", "alarm", "verdict", "sealed"])
    stream.addEventListener(name, heard);
  stream.onerror = () => {
    if (stream.readyState === EventSource.CLOSED) {
      stream.close();
      setTimeout(connect, 2000);
    }
  };
}

connect();
setInterval(watchSilence, 1000);
