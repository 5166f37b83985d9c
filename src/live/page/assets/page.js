// Shows the board as it comes, blanks it when it is old, and sends what the passenger notes. Computes nothing of the drive.
"use strict";

const LOST_AFTER_MS = 2700; // no news for so long is said: within 3 s
const BROKEN_AFTER_MS = 1200; // a connection that broke is said sooner, unless it comes back at once
const BLANK_AFTER_MS = 4700; // and after so long no value is shown any more: within 5 s
const AGAIN_AFTER_MS = 6500; // a connection that says nothing for so long is made anew
const BACK_OFF_MS = [300, 700, 1500, 3000, 5000];
const SEND_WITHIN_MS = 5000;
const RECEIPT_MS = 8000;
const METRES = { km: 1000, mi: 1609.344 };
const NONE = "–";

const at = (id) => document.getElementById(id);
const put = (node, text) => { if (node.textContent !== text) node.textContent = text; };
const show = (node, shown) => { if (node.hidden === shown) node.hidden = !shown; };
/** A number with its unit smaller; any other text as it is. */
function putValue(node, text) {
  if (node.textContent === text) return;
  const [, number, unit] = /^(-?\d[\d .±]*) ([^\s,]+(?: \d+ km)?)$/.exec(text) || [];
  node.replaceChildren(...(number ? [number, make("small", ` ${unit}`)] : [text]));
}
function make(name, text, className) {
  const node = document.createElement(name);
  if (text !== undefined) node.textContent = text;
  if (className) node.className = className;
  return node;
}

// ---- What is shown -------------------------------------------------------------------------------------------------

const PLACES = { arrival: "then", last: "then", soc: "now", energy: "now", distance: "now", speed: "now", last_10_km: "now", leg: "now", test: "now" };
const THIRDS = ["last_10_km", "leg", "test"];
const GROUPS = { plan: "else", car: "drive", drive: "drive", recording: "recording", worth: "worth" };
let board = null;
let said = { act: "", shout: "" };

/** Where a line stands: what must be seen at once, above; what tells of a fault, as a notice; the rest below. */
function listOf(line) {
  if (PLACES[line.key]) return PLACES[line.key];
  return line.tone !== "plain" && line.group === "car" ? "notice" : GROUPS[line.group];
}

/** Makes a list hold these lines and no others, changing only what is different. */
function list(id, lines) {
  const parent = at(id);
  const old = new Map([...parent.children].map((node) => [node.dataset.key, node]));
  lines.forEach((line, index) => {
    let node = old.get(line.key);
    if (!node) {
      node = make("div");
      node.dataset.key = line.key;
      node.append(make("dt"), make("dd"), make("dd"));
    }
    old.delete(line.key);
    if (parent.children[index] !== node) parent.insertBefore(node, parent.children[index] || null);
    const name = [line.tone === "plain" ? "" : line.tone, THIRDS.includes(line.key) ? "third" : line.key.split(".")[0]].join(" ").trim();
    if (node.className !== name) node.className = name;
    const [label, value, beside] = node.children;
    put(label, line.label);
    putValue(value, line.value ?? NONE);
    put(beside, line.value === null && line.key !== "next" ? "" : line.beside);
    show(beside, beside.textContent !== "");
  });
  old.forEach((node) => node.remove());
}

function shown(lines) {
  const lists = { then: [], now: [], notice: [], else: [], drive: [], recording: [], worth: [] };
  for (const line of lines) if (line.key !== "next") lists[listOf(line)].push(line);
  for (const [id, some] of Object.entries(lists)) list(id, some);
  show(at("test"), lists.worth.length > 0);
}

function next(line, loud) {
  put(at("next-label"), line?.label ?? "Next");
  put(at("next-place"), line?.value ?? (line?.beside || NONE));
  putValue(at("next-way"), line?.value ? line.beside.replace(/^in /, "") : NONE);
  show(at("loud"), Boolean(loud));
  put(at("loud-what"), loud?.what ?? "");
  put(at("loud-why"), loud?.why ?? "");
}

/** Speaks to those who cannot see it, only when the act or what is wrong has changed. */
function speak(line, loud, alarm) {
  const act = line?.value ? `${line.label} ${line.value}, ${line.beside}` : "";
  const key = line?.value ? `${line.label} ${line.value}` : "";
  if (key !== said.act) { said.act = key; put(at("say"), act); }
  const shout = [loud?.what, alarm?.text].filter(Boolean).join(". ");
  if (shout !== said.shout) { said.shout = shout; put(at("shout"), shout); }
}

function alarms(all) {
  const unseen = all.filter((alarm) => !alarm.acknowledged);
  const [first] = unseen;
  show(at("alarm"), Boolean(first));
  if (first) {
    const more = unseen.length > 1 ? ` (${unseen.length - 1} more)` : "";
    put(at("alarm-text"), first.text + more);
    at("alarm-seen").dataset.key = first.key;
  }
  return first;
}

function checks(all, pullingAway) {
  const wrong = all.some((check) => !check.go);
  show(at("before"), pullingAway && all.length > 0);
  put(at("before-title"), wrong ? "Before pulling away: not yet" : "Before pulling away: all is ready");
  const items = [...all].sort((a, b) => a.go - b.go).map((check) => {
    const item = make("li", undefined, check.go ? "" : "stays");
    const text = make("span", [`${check.name}: ${check.found}`, check.remedy].filter(Boolean).join("; "));
    item.append(make("b", check.go ? "ready" : "not yet"), text);
    return item;
  });
  const before = at("checks");
  const text = items.map((item) => item.textContent).join("\n");
  if (before.dataset.text !== text) { before.dataset.text = text; before.replaceChildren(...items); }
}

function kept(line, known) {
  const wrong = known && (line?.tone === "wrong" || !line?.value);
  const text = !known ? "not known" : wrong ? "NOT RECORDED" : line.value.startsWith("on") ? "recorded" : "asleep";
  put(at("kept"), text);
  at("kept").className = wrong ? "wrong" : "";
}

/** The course as a strip, drawn in pixels of its width. */
function road(strip) {
  show(at("road"), Boolean(strip));
  if (!strip) return;
  const svg = at("road").firstElementChild;
  const width = svg.clientWidth || 340, height = svg.clientHeight || 52, edge = 14, y = Math.round(height / 2) + 1;
  const key = JSON.stringify([strip, width]);
  if (svg.dataset.key === key) return;
  svg.dataset.key = key;
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.setAttribute("aria-label", strip.words);
  const x = (along) => edge + along * (width - 2 * edge);
  const node = (name, attributes, text) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [attribute, value] of Object.entries(attributes)) made.setAttribute(attribute, value);
    if (text) made.textContent = text;
    return made;
  };
  const parts = [node("line", { class: "line", x1: x(0), x2: x(1), y1: y, y2: y })];
  const target = strip.places.find((place) => place.next);
  if (target && strip.car !== null) {
    parts.push(node("line", { class: "ahead", x1: x(strip.car), x2: x(target.along), y1: y, y2: y }));
  }
  for (const place of strip.places) {
    if (place.charger) parts.push(node("rect", { class: "charger", x: x(place.along) - 7, y: y - 7, width: 14, height: 14 }));
    if (place.next) parts.push(node("circle", { class: "act", cx: x(place.along), cy: y, r: 6 }));
    else if (place.turn && !place.charger) parts.push(node("circle", { class: "turn", cx: x(place.along), cy: y, r: 4 }));
  }
  if (strip.car !== null) {
    const tip = strip.out ? 9 : -9, nose = x(strip.car);
    parts.push(node("path", { class: "car", d: `M${nose + tip} ${y} L${nose - tip} ${y - 9} L${nose - tip} ${y + 9} Z` }));
  }
  svg.replaceChildren(...parts);
  // Names: what comes next above the line; below it the ends and chargers, as many as there is room for.
  const label = (place, below) => {
    const text = node("text", { y: below ? height - 4 : Math.round(height / 4), x: 0 }, place.name);
    svg.append(text);
    const wide = text.getComputedTextLength ? text.getComputedTextLength() : 8 * place.name.length;
    const left = Math.max(2, Math.min(x(place.along) - wide / 2, width - wide - 2));
    text.setAttribute("x", left);
    return { text, left, right: left + wide };
  };
  const used = [];
  if (target) label(target, false);
  const ends = [strip.places[0], strip.places[strip.places.length - 1]];
  for (const place of [...ends, ...strip.places.filter((some) => some.charger && !ends.includes(some))]) {
    if (place === target) continue;
    const box = label(place, true);
    if (used.some((other) => box.left < other.right + 8 && other.left < box.right + 8)) box.text.remove();
    else used.push(box);
  }
}

function render(news) {
  board = news;
  document.body.classList.remove("blank");
  const line = (key) => news.lines.find((some) => some.key === key);
  put(at("who"), news.vehicle);
  put(at("time"), `${news.utc.slice(11, 19)} UTC`);
  show(at("rehearsal"), news.rehearsal);
  kept(line("recording"), true);
  const alarm = alarms(news.alarms);
  next(line("next"), news.loud);
  shown(news.lines);
  checks(news.ready, news.pulling_away);
  road(news.road);
  speak(line("next"), news.loud, alarm);
}

/** No value is shown that is not known now. */
function blank() {
  if (document.body.classList.contains("blank")) return;
  document.body.classList.add("blank");
  const lines = board ? board.lines : [];
  const fixed = lines.filter((line) => !/^(spoiled|then|missed|spare|cliff|step)/.test(line.key) && line.group !== "worth");
  put(at("time"), "");
  kept(null, false);
  alarms([]);
  next(null, null);
  put(at("next-label"), "Next");
  shown(fixed.map((line) => ({ ...line, value: null, beside: "", tone: "plain" })));
  show(at("before"), false);
  show(at("road"), false);
}

// ---- Where it comes from -------------------------------------------------------------------------------------------

let source = null;
let newsAt = performance.now(), heardAt = performance.now();
let tries = 0, againAt = 0, brokeAt = Infinity, shutOut = "";

function connect() {
  source = new EventSource("/events");
  const mine = source;
  source.addEventListener("board", (event) => {
    newsAt = heardAt = performance.now();
    brokeAt = Infinity;
    tries = 0;
    shutOut = "";
    render(JSON.parse(event.data));
    look();
  });
  source.addEventListener("blank", () => { heardAt = performance.now(); brokeAt = Infinity; tries = 0; shutOut = ""; look(); });
  source.onerror = () => { if (mine === source) lose(); };
}

/** Drops the connection; it is made anew after a while that grows. */
function lose() {
  if (source) source.close();
  source = null;
  brokeAt = Math.min(brokeAt, performance.now());
  againAt = performance.now() + BACK_OFF_MS[Math.min(tries, BACK_OFF_MS.length - 1)] * (0.8 + 0.4 * Math.random());
  tries += 1;
  if (tries === 3) fetch("/api/v1/state").then((answer) => {
    if (answer.status === 401) shutOut = "Not let in: open the link with the token again";
  }).catch(() => {});
}

/** What time does: lost, blank, once more. */
function look() {
  const now = performance.now(), age = now - newsAt;
  const lost = age > LOST_AFTER_MS || now - brokeAt > BROKEN_AFTER_MS;
  const why = shutOut || (now - heardAt < LOST_AFTER_MS && brokeAt === Infinity ? "The recorder says nothing new" : "Connection lost");
  show(at("lost"), lost);
  if (lost) put(at("lost"), age > BLANK_AFTER_MS ? `${why}. Values are blanked.` : `${why}.`);
  if (lost && said.shout !== why) { said.shout = why; put(at("shout"), why); }
  if (age > BLANK_AFTER_MS) blank();
  if (source && now - heardAt > AGAIN_AFTER_MS && source.readyState !== EventSource.CONNECTING) { heardAt = now; lose(); }
  if (!source && now >= againAt) connect();
}

// ---- What is noted -------------------------------------------------------------------------------------------------

const NAMES = {
  turned: "turned", shows_zero: "shows 0 %", power_warning: "power warning", soc: "displayed charge",
  displayed_rest: "displayed rest", trip_figure: "trip figure", climate: "climate", note: "note",
};

/** What counts by the moment at which it was tapped, and how late that may be told, s. */
const MOMENTS = ["turned", "shows_zero", "soc", "displayed_rest"];
const LATE_S = 20;

/** Sends something and says what became of it; what failed stays until it was sent or put away. */
async function send(path, body, name, receipt, tapped = performance.now()) {
  const item = receipt || make("li");
  item.className = "";
  item.replaceChildren(make("span", `Noting: ${name}`));
  if (!receipt) at("receipts").append(item);
  const late = Math.round((performance.now() - tapped) / 1000);
  // A moment that is told too late is no moment: what counts by it goes into the run as a note.
  const missed = late > LATE_S && MOMENTS.includes(body.kind);
  const text = `${missed ? name : ""} ${body.text || ""} (tapped ${late} s before)`.trim().slice(0, 200);
  const told = late > 1 && body.kind ? (missed ? { kind: "note", text } : { ...body, text }) : body;
  const button = (text, act) => {
    const made = make("button", text);
    made.type = "button";
    made.addEventListener("click", act);
    item.append(made);
  };
  const giveUp = new AbortController();
  const timer = setTimeout(() => giveUp.abort(), SEND_WITHIN_MS);
  let fault = "no connection";
  try {
    const answer = await fetch(path, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(told), signal: giveUp.signal,
    });
    const said = await answer.json();
    if (answer.ok) {
      // One receipt at a time, beside what failed, so that they hide little.
      for (const other of [...at("receipts").children]) if (other !== item && other.dataset.noted) other.remove();
      item.dataset.noted = "yes";
      item.replaceChildren(make("span", `Noted at ${said.at_utc.slice(11, 19)}: ${name}${missed ? ", as a note: too late to count" : ""}`));
      if (body.kind && body.kind !== "note") button("A mistake", () => {
        send(path, { kind: "note", text: `by mistake: ${name} at ${said.at_utc}` }, `by mistake: ${name}`, item);
      });
      setTimeout(() => { if (!item.classList.contains("failed")) item.remove(); }, RECEIPT_MS);
      return;
    }
    fault = answer.status === 401 ? "open the link with the token once in this browser" : said.error;
  } catch { /* `fault` says it */ } finally { clearTimeout(timer); }
  item.className = "failed";
  delete item.dataset.noted;
  item.replaceChildren(make("span", `NOT noted: ${name} (${fault})`));
  button("Again", () => send(path, body, name, item, tapped));
  button("Put away", () => item.remove());
}

const ENTRIES = {
  soc: { title: "Charge as displayed", number: () => "Percent", most: 100 },
  displayed_rest: { title: "Rest as displayed", number: () => (board?.in_miles ? "mi" : "km"), most: 2000 },
  trip_figure: { title: "A figure of the trip computer", number: () => "Figure", text: "Which figure, with its unit" },
  climate: { title: "Climate was changed", text: "To what (may be empty)", empty: true },
  note: { title: "Note", text: "What happened" },
};
let entered = null;

function ask(kind) {
  const entry = ENTRIES[kind];
  entered = { kind, tapped: performance.now() };
  at("entry-title").textContent = entry.title;
  at("entry-wrong").textContent = "";
  at("entry-number").hidden = !entry.number;
  at("entry-text").hidden = !entry.text;
  at("number-label").textContent = entry.number ? entry.number() : "";
  at("text-label").textContent = entry.text || "";
  at("number").value = at("text").value = "";
  entered.unit = at("number-label").textContent;
  at("entry-dialog").showModal();
  at(entry.number ? "number" : "text").focus();
}

function enter(event) {
  event.preventDefault();
  const entry = ENTRIES[entered.kind], text = at("text").value.trim();
  const written = at("number").value.trim().replace(",", ".");
  const value = Number(written);
  if (entry.number && (written === "" || !Number.isFinite(value) || (entry.most && (value < 0 || value > entry.most)))) {
    at("entry-wrong").textContent = entry.most ? `A number from 0 to ${entry.most}.` : "A number.";
    return at("number").focus();
  }
  if (entry.text && !entry.empty && !text) {
    at("entry-wrong").textContent = "A few words.";
    return at("text").focus();
  }
  const mark = { kind: entered.kind, text };
  if (entry.number) mark.value = entered.kind === "displayed_rest" ? value * METRES[entered.unit] : value;
  const unit = { soc: " %", displayed_rest: ` ${entered.unit}` }[entered.kind] || "";
  const name = [NAMES[entered.kind], entry.number ? written + unit : "", text].filter(Boolean).join(" ");
  at("entry-dialog").close();
  send("/api/v1/marks", mark, name, undefined, entered.tapped);
}

function chargers() {
  const places = board?.road?.places.filter((place) => place.charger).map((place) => place.name) || [];
  const key = (text, place, name) => {
    const made = make("button", text);
    made.type = "button";
    made.addEventListener("click", () => { at("taken-dialog").close(); send("/api/v1/taken", { place }, name); });
    return made;
  };
  const all = places.map((name) => key(name, name, `the charger at ${name} is taken`));
  at("chargers").replaceChildren(...all, key("None is", null, "no charger is taken"));
  at("taken-dialog").showModal();
}

// ---- Light, and what the keys do -----------------------------------------------------------------------------------

function light() {
  let chosen = null;
  try { chosen = localStorage.getItem("light"); } catch { /* then as the system has it */ }
  const dark = matchMedia("(prefers-color-scheme: dark)").matches;
  const now = chosen || (dark ? "night" : "day");
  document.documentElement.dataset.light = now;
  at("light").textContent = now === "night" ? "Day" : "Night";
}

document.addEventListener("click", (event) => {
  const key = event.target.closest("button");
  if (!key) return;
  if (key.classList.contains("shut")) key.closest("dialog").close();
  if (key.dataset.mark || key.dataset.ask) at("more-dialog").close();
  if (key.dataset.mark) send("/api/v1/marks", { kind: key.dataset.mark }, NAMES[key.dataset.mark]);
  if (key.dataset.ask) ask(key.dataset.ask);
});
at("more").addEventListener("click", () => at("more-dialog").showModal());
at("care").addEventListener("click", () => at("care-dialog").showModal());
at("taken").addEventListener("click", () => { at("more-dialog").close(); chargers(); });
at("entry").addEventListener("submit", enter);
at("alarm-seen").addEventListener("click", (event) => {
  send("/api/v1/acknowledge", { alarm: event.currentTarget.dataset.key }, "alarm seen");
});
at("light").addEventListener("click", () => {
  const now = document.documentElement.dataset.light === "night" ? "day" : "night";
  try { localStorage.setItem("light", now); } catch { /* then for this visit */ }
  document.documentElement.dataset.light = now;
  at("light").textContent = now === "night" ? "Day" : "Night";
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", light);
addEventListener("resize", () => { if (board && !document.body.classList.contains("blank")) road(board.road); });
/** Keeps the screen lit where the browser lets a page do that: on this computer, or behind a server with a certificate. */
function stayLit() {
  if (document.visibilityState === "visible") navigator.wakeLock?.request("screen").catch(() => {});
}

document.addEventListener("visibilitychange", () => { look(); stayLit(); });
stayLit();
light();
connect();
setInterval(look, 200);
