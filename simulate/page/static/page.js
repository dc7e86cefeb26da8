// The page: what is chosen becomes words, words become pictures, and pictures are drawn.

import { Follower, Refused, ask } from "./ask.js";
import { curve, element, paint, verdict } from "./draw.js";
import { furtherQuestions, linksToKeep } from "./more.js";
import { SETUP, atMinutes, change, minutesTo, onChange, readAddress, state, twoSetups, wordsOf } from "./state.js";

const $ = (name) => document.getElementById(name);

// name, label, lowest, highest, step, unit, on a logarithmic scale
const NUMBERS = [
  ["aperture", "Aperture", 30, 600, 1, "mm", true],
  ["focal", "Focal length", 200, 6000, 10, "mm", true],
  ["amplifier", "Amplifier", 0.5, 5, 0.1, "×", false],
  ["obstruction", "Obstruction", 0, 200, 1, "mm", false],
  ["pixel", "Pixel", 1.4, 10, 0.1, "µm", false],
];
const HANDS = { ordinary: "ordinary: a first season", practised: "practised: some seasons", ideal: "ideal: nothing lost by hand" };
const QUIET_MS = 250; // after the last move before the verdicts are asked for

const shown = [null, null]; // the newest answer for each setup
const judged = [null, null]; // the newest answer with verdicts
let tools = [], bodies = [], track = null, trackOf = "", waiting = 0;

const fail = (error) => {
  $("fault").textContent = error instanceof Refused ? error.message : `a fault of this page (${error.message})`;
  $("fault").hidden = false;
  document.body.dataset.state = "refused";
};
// verdicts take longer and go their own way: no picture waits for them
const [pictures, verdicts] = [0, 1].map(() => [0, 1].map((side) => new Follower("picture", (told, words) => use(side, told, words), fail)));
const nights = new Follower("night", useNight, (error) => {
  track = null;
  $("course").replaceChildren(element("p", { class: "quiet" }, error.message));
});

function use(side, told, words) {
  if (told.judged && words.of !== ofNow(side)) return; // moved on meanwhile
  if (!told.judged) {
    clearTimeout(waiting);
    waiting = setTimeout(() => follow(true), QUIET_MS);
  }
  shown[side] = told;
  if (told.judged) judged[side] = told;
  $("fault").hidden = true;
  // while the slider moves, the list keeps the last verdicts and says so
  document.body.dataset.state = told.judged ? "judged" : "shown";
  document.body.dataset.count = Number(document.body.dataset.count ?? 0) + 1;
  document.body.dataset.of = words.time;
  draw();
  if (side === 0) tellFacts(told);
  tellVerdicts();
}

function follow(judge) {
  const sides = twoSetups() ? [0, 1] : [0];
  if (!twoSetups()) shown[1] = judged[1] = null;
  for (const side of sides) {
    const words = wordsOf(side);
    if (judge) verdicts[side].want({ ...words, lane: `${words.lane} judged`, judge: "1", of: ofNow(side) });
    else pictures[side].want(words);
  }
}

const ofNow = (side) => new URLSearchParams(wordsOf(side)).toString();

function moved() {
  follow(false);
  clearTimeout(waiting);
  $("judging").textContent = "Judged anew when the sliders rest …";
}

function draw() {
  const present = shown.filter(Boolean);
  if (!present.length) return;
  const field = Math.max(...present.map((told) => told.field_arcsec));
  const layer = Number(state.show);
  const sides = present.map((told) => ({ picture: told.pictures[layer], middle: told.middle }));
  paint($("stage"), sides, field, Number(state.split));
  $("stage").setAttribute("aria-label", sentence(present, layer));
  document.querySelectorAll("#layers canvas").forEach((canvas, index) => {
    paint(canvas, [{ picture: present[0].pictures[index], middle: present[0].middle }], field, 100, false);
  });
  document.querySelectorAll("#layers .what").forEach((line, index) => {
    line.textContent = present[0].pictures[index].title;
    line.nextElementSibling.textContent = present[0].pictures[index].note;
  });
  $("dividing").hidden = $("sides").hidden = present.length < 2;
  if (present.length > 1) $("sides").textContent = `Left: ${present[0].instrument}. Right: ${present[1].instrument}. Both at one scale.`;
}

function sentence(present, layer) {
  const parts = present.map((told) => told.pictures[layer].sentence);
  return `${parts.join(" Beside it: ")} ${present[0].headline}`;
}

function tellFacts(told) {
  $("headline").textContent = `${told.title} through ${told.instrument}`;
  $("place").textContent = `${told.when}, ${told.where}. ${told.headline}`;
  document.title = `${told.title} through ${told.instrument}`;
  $("caution").textContent = told.caution ?? "";
  $("caution").hidden = !told.caution;
  $("provenance").textContent = told.provenance;
  for (const line of document.querySelectorAll(".bodyname")) line.textContent = told.title;
  const groups = new Map();
  for (const [group, label, text] of told.facts) groups.set(group, [...(groups.get(group) ?? []), [label, text]]);
  $("factlist").replaceChildren(
    ...[...groups].map(([group, lines]) =>
      element("div", {}, element("h3", {}, group), element("dl", {}, ...lines.flatMap(([label, text]) => [element("dt", {}, label), element("dd", {}, text)]))),
    ),
  );
  $("notes").replaceChildren(...told.notes.map((note) => element("li", {}, note)));
}

function tellVerdicts() {
  const sides = twoSetups() ? judged : [judged[0]];
  const present = sides.filter(Boolean);
  if (!present.length) return;
  const fresh = present.every((told) => shown.includes(told));
  document.getElementById("seen").classList.toggle("stale", !fresh);
  const names = [...new Set(present.flatMap((told) => told.verdicts.map(([name]) => name)))];
  const words = present.map((told) => new Map(told.verdicts.map(([name, word]) => [name, word])));
  const rank = { clear: 0, doubtful: 1, lost: 2 };
  const order = (a, b) => (rank[words[0].get(a)] ?? 3) - (rank[words[0].get(b)] ?? 3);
  // one setup: what each hand makes of it; two: what each of them shows
  const levels = present.length === 1 ? (present[0].levels ?? []) : [];
  if (levels.length) {
    const byHand = levels.map(([, lines]) => new Map(lines));
    const of = ([hand]) => element("th", { scope: "col" }, hand === present[0].hand ? element("strong", {}, hand) : hand);
    $("verdicts").tHead.replaceChildren(element("tr", {}, element("th", { scope: "col" }, "Feature, by the hand"), ...levels.map(of)));
    const cell = (map, k, name) => element("td", {}, map.has(name) ? verdict(map.get(name), levels[k][0] !== present[0].hand) : "–");
    $("verdicts").tBodies[0].replaceChildren(
      ...[...names].sort(order).map((name) => element("tr", {}, element("th", { scope: "row" }, name), ...byHand.map((map, k) => cell(map, k, name)))),
    );
    return tellCounts(present, names, words, fresh);
  }
  const head = present.length > 1 ? [element("tr", {}, element("th", { scope: "col" }, "Feature"), ...present.map((told) => element("th", { scope: "col" }, told.instrument)))] : [];
  $("verdicts").tHead.replaceChildren(...head);
  names.sort(order);
  $("verdicts").tBodies[0].replaceChildren(
    ...names.map((name) => element("tr", {}, element("th", { scope: "row" }, name), ...words.map((map) => element("td", {}, map.has(name) ? verdict(map.get(name)) : "–")))),
  );
  tellCounts(present, names, words, fresh);
}

function tellCounts(present, names, words, fresh) {
  if (!fresh) return;
  const counts = present.map((told) => ["clear", "doubtful", "lost"].map((word) => `${told.verdicts.filter(([, is]) => is === word).length} ${word}`).join(", "));
  $("judging").textContent = names.length ? present.map((told, k) => `${told.instrument}: ${counts[k]}.`).join(" ") : "Nothing on it is judged.";
  $("difference").textContent = present.length > 1 ? difference(names, words, present) : "";
  $("live").textContent = `${present[0].title}, ${present[0].when}. ${$("judging").textContent} ${$("difference").textContent}`;
}

function difference(names, words, present) {
  const better = (one, other) => names.filter((name) => words[one].get(name) === "clear" && words[other].get(name) !== "clear");
  const lines = [[0, 1], [1, 0]].map(([one, other]) => {
    const found = better(one, other);
    return found.length ? `Clear only through ${present[one].instrument}: ${found.join(", ")}.` : "";
  });
  return lines.filter(Boolean).join(" ") || "What is clear through one is clear through the other.";
}

// The night ------------------------------------------------------------------------------------------------------------

function useNight(told) {
  track = told;
  if (!told.times.length) return;
  const hour = $("hour");
  hour.max = minutesTo(told.times[0], told.times.at(-1));
  hour.value = minutesTo(told.times[0], state.time);
  $("besthour").disabled = !told.best;
  if (pending === "best" && told.best) change({ time: told.best }, "night");
  else if (pending && told.times.length) change({ time: inside(state.time) }, "night");
  pending = "";
  const body = bodies.find(([name]) => name === state.body)?.[1] ?? "";
  const chart = curve({
    times: told.times, values: told.altitude, from: 0, to: 90, ticks: [0, 30, 60, 90], unit: "°",
    dark: told.sun.map((height) => height < -12), tickText: (time) => time.slice(11, 16),
    label: `How high ${body} stands over the night of ${told.night}. ${told.best ? `At its best at ${told.best.slice(11, 16)} UTC.` : told.why}`,
    pick: (index) => change({ time: told.times[index] }),
  });
  $("course").replaceChildren(chart, told.why ? element("p", { class: "quiet" }, told.why) : "");
  tellHour();
}

let pending = "";

function inside(time) {
  const [first, last] = [Date.parse(track.times[0]), Date.parse(track.times.at(-1))];
  const day = 86400000;
  let moment = Date.parse(time);
  moment += Math.round(((first + last) / 2 - moment) / day) * day;
  return `${new Date(Math.max(first, Math.min(last, moment))).toISOString().slice(0, 16)}Z`;
}

function tellHour() {
  if (!track?.times.length) return;
  const minutes = minutesTo(track.times[0], state.time), place = (minutes / minutesTo(track.times[0], track.times.at(-1))) * (track.times.length - 1);
  const low = Math.max(0, Math.min(track.times.length - 2, Math.floor(place))), share = place - low;
  const between = (values) => values[low] + share * (values[low + 1] - values[low]);
  const high = between(track.altitude), sun = between(track.sun);
  const stands = high > 0 ? `${high.toFixed(0)}° high` : `${(-high).toFixed(0)}° below the horizon`;
  const light = sun > -0.83 ? "the Sun is up" : sun > -12 ? "twilight" : "dark";
  $("hourtold").textContent = `${state.time.slice(0, 10)} ${state.time.slice(11, 16)} UTC: ${stands}, ${light}`;
  $("hour").setAttribute("aria-valuetext", $("hourtold").textContent);
  $("course").querySelector("svg")?.moveTo(place);
  $("hour").value = minutes;
}

// Choices --------------------------------------------------------------------------------------------------------------

function buildChoices() {
  const where = element("fieldset", {}, element("legend", {}, "Body, date and place"));
  where.append(
    choice("body", "Body", bodies),
    text("night", "Evening of", "date"),
    text("site", "Place: latitude, longitude, height", "text"),
    text("spot", "Red spot at, System II", "number"),
  );
  const air = element("fieldset", {}, element("legend", {}, "Air and hand"));
  air.append(number("seeing", "Seeing", 0.3, 6, 0.1, "″", false), choice("hand", "The hand", Object.entries(HANDS)));
  const setups = ["", "other-"].map((before, side) => {
    const box = element("fieldset", { "data-side": side }, element("legend", {}, side ? "A second setup beside it" : "Telescope and camera"));
    const names = tools.map((tool) => [tool.name, tool.name]);
    box.append(choice(`${before}instrument`, "Start from", side ? [["", "none"], ...names] : names));
    const inner = element("div", { class: "numbers" });
    for (const [name, label, ...rest] of NUMBERS) inner.append(number(before + name, label, ...rest));
    inner.append(choice(`${before}pixels`, "Pixels", [["colour", "under colour filters"], ["mono", "bare, no colours"]]));
    box.append(inner, element("p", { class: "quiet told" }));
    return box;
  });
  $("choices").append(where, air, ...setups);
  $("choices").addEventListener("submit", (event) => event.preventDefault());
}

const label = (id, words, ...inside) => element("label", { class: "line", for: id }, element("span", {}, words), ...inside);

function choice(name, words, options) {
  const box = element("select", { id: name }, ...options.map(([value, told]) => element("option", { value }, told)));
  box.addEventListener("change", () => chosen(name, box.value));
  return label(name, words, box);
}

function text(name, words, type) {
  const box = element("input", { id: name, type, spellcheck: "false" });
  box.addEventListener("change", () => chosen(name, box.value));
  return label(name, words, box);
}

function number(name, words, low, high, step, unit, logarithmic) {
  const range = element("input", { id: name, type: "range", min: 0, max: 1000, step: 1, "data-name": name });
  const exact = element("input", { type: "number", step: "any", "aria-label": `${words}, exactly`, class: "exact", "data-exact": name });
  const steps = Math.round((high - low) / step);
  if (!logarithmic) range.max = steps;
  range.toValue = () => {
    const share = range.value / range.max;
    const value = logarithmic ? low * (high / low) ** share : low + share * (high - low);
    return Number((Math.round(value / step) * step).toFixed(3));
  };
  range.fromValue = (value) => {
    const share = logarithmic ? Math.log(value / low) / Math.log(high / low) : (value - low) / (high - low);
    range.value = Math.round(share * range.max);
    range.setAttribute("aria-valuetext", `${value} ${unit}`);
    if (document.activeElement !== exact) exact.value = value;
  };
  range.addEventListener("input", () => chosen(name, range.toValue()));
  exact.addEventListener("change", () => chosen(name, exact.value));
  return label(name, words, range, exact, element("span", { class: "unit" }, unit));
}

function chosen(name, value) {
  const [, other, plain] = /^(other-)?(.*)$/.exec(name);
  const words = { [name]: value };
  if (plain === "instrument") for (const field of SETUP.slice(1)) words[`${other ?? ""}${field}`] = "";
  if (plain !== "instrument" && SETUP.includes(plain)) {
    // the instrument's own number needs no place in the address
    const own = tools.find((tool) => tool.name === state[`${other ?? ""}instrument`]);
    if (own && String(own[plain]) === String(value)) words[name] = "";
  }
  if (name === "site" && !value) words.site = "";
  if (name === "body") words.spot = "";
  if (["body", "night", "site"].includes(name)) pending = name === "body" ? "best" : "same";
  change(words, name);
}

function showChoices() {
  for (const name of ["body", "night", "site", "hand", "spot", "instrument", "other-instrument"]) $(name).value = state[name] ?? "";
  $("spot").closest("label").hidden = !bodies.find(([name]) => name === state.body)?.[2];
  $("seeing").fromValue(Number(state.seeing));
  for (const before of ["", "other-"]) {
    const own = tools.find((tool) => tool.name === state[`${before}instrument`]);
    const box = document.querySelector(`[data-side="${before ? 1 : 0}"]`);
    box.querySelector(".numbers").hidden = !own;
    box.querySelector(".told").textContent = own ? own.description : "";
    if (!own) continue;
    for (const [name] of NUMBERS) $(before + name).fromValue(Number(state[before + name] ?? own[name]));
    $(`${before}pixels`).value = state[`${before}pixels`] ?? own.pixels;
  }
  $("split").value = state.split;
  document.querySelectorAll("#layers input").forEach((box) => (box.checked = box.value === state.show));
  document.documentElement.toggleAttribute("data-red", state.red === "1");
  $("red").checked = state.red === "1";
}

function buildLayers() {
  for (const index of [2, 1, 0]) {
    const box = element("input", { type: "radio", name: "show", value: index });
    box.addEventListener("change", () => change({ show: index }, "show"));
    const canvas = element("canvas", { "aria-hidden": "true" });
    $("layers").append(element("label", {}, box, element("span", { class: "pic" }, canvas), element("span", { class: "what" }), element("span", { class: "quiet how" })));
  }
  // drawn in the order of the light: as it is, one frame, finished
  $("layers").append(...[...$("layers").querySelectorAll("label")].reverse());
}

onChange((words, why) => {
  showChoices();
  if (["show", "split", "red"].includes(why)) return draw();
  const night = `${state.body} ${state.night} ${state.site}`;
  if (night !== trackOf) {
    trackOf = night;
    if (state.site) nights.want(wordsOf(0));
    else {
      track = null;
      pending = "";
      $("course").replaceChildren(element("p", { class: "quiet" }, "Without a place it is seen from the Earth's centre, through the zenith."));
    }
    if (pending && state.site) return; // the picture waits for the hour of the new night
  }
  tellHour();
  linksToKeep();
  moved();
});

async function begin() {
  const told = await ask("choices", {});
  tools = told.instruments;
  bodies = told.bodies;
  readAddress(told.first);
  buildLayers();
  buildChoices();
  showChoices();
  furtherQuestions({ moved });
  $("hour").addEventListener("input", () => track?.times.length && change({ time: atMinutes(track.times[0], Number($("hour").value)) }, "hour"));
  $("split").addEventListener("input", () => change({ split: $("split").value }, "split"));
  $("red").addEventListener("change", () => change({ red: $("red").checked ? "1" : "" }, "red"));
  $("besthour").addEventListener("click", () => track?.best && change({ time: track.best }, "hour"));
  window.addEventListener("popstate", () => location.reload());
  new ResizeObserver(draw).observe($("stage"));
  linksToKeep();
  follow(false);
  trackOf = `${state.body} ${state.night} ${state.site}`;
  if (state.site) nights.want(wordsOf(0));
}

begin().catch(fail);
