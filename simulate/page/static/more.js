// The longer questions: apertures, a night, a year, a picture of one's own; and what can be kept.

import { Refused, ask, send } from "./ask.js";
import { SHAPES, curve, element, plain, verdict } from "./draw.js";
import { change, state, wordsOf } from "./state.js";

const $ = (name) => document.getElementById(name);
const when = (time) => `${time.slice(0, 10)} ${time.slice(11, 16)} UTC`;
const list = (lines) => element("ul", {}, ...lines.map((line) => element("li", {}, line)));
const warned = (told) => [
  told.caution ? element("p", { class: "caution" }, told.caution) : null,
  told.notes?.length ? list(told.notes) : null,
];

function table(head, rows) {
  const top = head ? element("thead", {}, element("tr", {}, ...head.map((word) => element("th", { scope: "col" }, word)))) : null;
  const body = rows.map(([first, ...rest]) => element("tr", {}, element("th", { scope: "row" }, first), ...rest.map((cell) => element("td", {}, cell))));
  return element("div", { class: "wide", tabindex: "0", role: "group", "aria-label": "A table; it scrolls where the screen is narrow" }, element("table", {}, top, element("tbody", {}, ...body)));
}

const moment = (time, told = when(time)) => element("button", { type: "button", onclick: () => goTo(time) }, told);

function goTo(time) {
  change({ time, night: eveningOf(time) }, "hour");
  $("picture").scrollIntoView({ block: "start" });
  $("hour").focus({ preventScroll: true });
}

// The evening to which an instant belongs at the place: before local noon that of the day before.
function eveningOf(time) {
  const [, east = "0"] = state.site.split(",");
  const hours = (/w\s*$/i.test(east) ? -1 : 1) * (parseFloat(east) || 0) / 15;
  return new Date(Date.parse(time) + (hours - 12) * 3600000).toISOString().slice(0, 10);
}

const shows = {
  ladder(told) {
    const rungs = told.apertures.map((size, index) => {
      const canvas = element("canvas", { "aria-hidden": "true" });
      plain(canvas, told.pictures[index]);
      const clear = told.rows.filter(([, words]) => words[index] === "clear").length;
      const take = () => {
        change({ aperture: Math.round(size), focal: "", obstruction: "" }, "aperture");
        $("picture").scrollIntoView({ block: "start" });
      };
      return element("li", {}, element("button", { type: "button", class: "rung", onclick: take }, element("span", { class: "pic" }, canvas), element("span", {}, `${Math.round(size)} mm`), element("span", { class: "quiet" }, `${clear} clear`)));
    });
    const head = ["Feature", ...told.apertures.map((size) => `${Math.round(size)}`)];
    return [
      ...warned(told),
      element("p", {}, `Press a rung to take its aperture; the focal length stays as it is. Verdicts are for the ${told.hand} hand; the pictures show what the ${told.drawn} one brings home.`),
      element("ol", { class: "rungs" }, ...rungs),
      element("p", { class: "quiet" }, `${SHAPES.clear} clear, ${SHAPES.doubtful} doubtful, ${SHAPES.lost} lost; apertures in mm.`),
      table(head, told.rows.map(([name, words]) => [name, ...words.map((word) => verdict(word, true))])),
      element("h3", {}, "The smallest that shows it"),
      table(["Feature", "doubtful from", "clear from"], told.smallest),
      ...(told.gains.length ? [element("h3", {}, "What would help most here"), list(told.gains)] : []),
    ];
  },
  tonight(told) {
    const chart = curve({
      times: told.times, values: told.altitude, from: 0, to: 90, ticks: [0, 30, 60, 90], unit: "°", span: told.window,
      dark: told.sun.map((height) => height < -12), tickText: (time) => time.slice(11, 16),
      label: `${told.title}: altitude over the night; the best window is from ${when(told.times[told.window[0]])} to ${when(told.times[told.window[1]])}.`,
      pick: (index) => goTo(told.times[index]),
    });
    const events = told.events.map(([time, what, high, good]) => [moment(time, time.slice(11, 16)), what, `${high}°`, good ? "in the window" : ""]);
    return [
      ...warned(told),
      element("p", {}, "Best window ", moment(told.times[told.window[0]], told.times[told.window[0]].slice(11, 16)), " to ", moment(told.times[told.window[1]], told.times[told.window[1]].slice(11, 16)), " UTC, at its best ", moment(told.best, told.best.slice(11, 16)), "."),
      chart,
      list(told.advice),
      ...(events.length ? [element("h3", {}, "What happens (UTC)"), table(["At", "What", "Altitude", ""], events)] : []),
      element("h3", {}, "How to record it"),
      table(null, told.card),
    ];
  },
  season(told) {
    const chart = curve({
      times: told.times, values: told.elements.map((value, index) => (told.usable[index] ? value : null)), tickText: (time) => time.slice(0, 7),
      label: `${told.title}: details side by side on the lit disc, date by date.`, marks: told.best.map((index, rank) => ({ index, text: `${rank + 1}` })),
      pick: (index) => goTo(told.times[index]),
    });
    const best = told.best.map((index) => [moment(told.times[index]), `${told.size[index]}″`, told.altitude.length ? `${told.altitude[index]}°` : "–"]);
    return [
      ...warned(told),
      element("p", {}, "How many details fit on the lit disc through this setup, on each date it can be had. Press a date to see it."),
      chart,
      list(told.advice),
      element("h3", {}, "Dates to choose"),
      table(["Instant", "Width", "Altitude"], best),
      ...(told.events.length ? [element("h3", {}, "What happens"), list(told.events.map(([time, what]) => `${time.slice(0, 10)}: ${what}`))] : []),
    ];
  },
  check(told) {
    const image = element("img", { src: URL.createObjectURL(told.sheet), alt: `Your picture beside theory: ${told.lines.map(([name, text]) => `${name}: ${text}`).join("; ")}` });
    return [
      ...warned(told),
      element("h3", {}, told.title),
      table(null, told.lines),
      ...(told.features.length ? [table(["Feature", "in the picture", "to be had"], told.features)] : []),
      ...told.lists.flatMap(([title, lines]) => [element("h3", {}, title), list(lines)]),
      image,
    ];
  },
};

async function working(box, name, question) {
  const of = `For ${$("headline").textContent}, ${when(state.time)}, seeing ${state.seeing}″, the ${state.hand} hand.`;
  box.setAttribute("aria-busy", "true");
  box.replaceChildren(element("p", { role: "status" }, "Being worked out …"));
  try {
    const told = await question();
    if (told) box.replaceChildren(element("p", { class: "quiet" }, of), ...shows[name](told).filter(Boolean));
  } catch (error) {
    box.replaceChildren(element("p", { role: "alert" }, error instanceof Refused ? error.message : String(error)));
  }
  box.removeAttribute("aria-busy");
}

export function furtherQuestions() {
  for (const button of document.querySelectorAll("[data-work]")) {
    const box = button.parentElement.querySelector(".result");
    button.addEventListener("click", () => working(box, button.dataset.work, () => ask(button.dataset.work, wordsOf(0))));
  }
  const box = $("mine").querySelector(".result"), drop = $("drop");
  const checked = (file) => file && working(box, "check", () => send("check", wordsOf(0), file));
  $("file").addEventListener("change", () => checked($("file").files[0]));
  // a file that misses the field must not replace the page
  for (const kind of ["dragover", "drop"]) window.addEventListener(kind, (event) => event.preventDefault());
  drop.addEventListener("dragover", () => drop.classList.add("over"));
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    drop.classList.remove("over");
    checked(event.dataTransfer.files[0]);
  });
  $("print").addEventListener("click", () => window.print());
  $("copy").addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(location.href);
      $("copied").textContent = "Copied.";
    } catch {
      $("copied").textContent = "The browser did not allow it; copy it from the address line.";
    }
  });
}

export function linksToKeep() {
  const files = [["sheet.png", "the sheet, PNG"], ["picture.fits", "physical units, FITS"], ["instrument.toml", "this setup, TOML"]];
  const words = new URLSearchParams(wordsOf(0));
  $("kept").replaceChildren("Download ", ...files.flatMap(([name, told], index) => [index ? ", " : "", element("a", { href: `keep/${name}?${words}`, download: name }, told)]), ".");
}
