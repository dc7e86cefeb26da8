// The state of the page is its address: what is looked at, and one or two setups. Nothing else is remembered.

export const SETUP = ["instrument", "aperture", "focal", "amplifier", "obstruction", "pixel", "pixels"];
const SHARED = ["body", "night", "time", "site", "seeing", "hand", "spot", "show", "split", "red"];
const OTHER = SETUP.map((name) => `other-${name}`);

export const state = {};
const listeners = [];

export function readAddress(first) {
  const given = new URLSearchParams(location.search);
  for (const name of Object.keys(state)) delete state[name];
  Object.assign(state, { show: "2", split: "50", red: "" }, first);
  for (const name of [...SHARED, ...SETUP, ...OTHER]) if (given.has(name)) state[name] = given.get(name);
  return given;
}

// Changes some of it; empty words leave the address.
export function change(words, why = "") {
  for (const [name, value] of Object.entries(words)) {
    if (value === "" || value === null || value === undefined) delete state[name];
    else state[name] = String(value);
  }
  if ("site" in words && !words.site) state.site = "";
  history.replaceState(null, "", `?${new URLSearchParams(state)}`);
  for (const listener of listeners) listener(words, why);
}

export function onChange(listener) {
  listeners.push(listener);
}

// The words for the server of the first or the other setup.
export function wordsOf(side) {
  const words = {};
  for (const name of ["body", "night", "time", "site", "seeing", "hand", "spot"]) if (name in state) words[name] = state[name];
  for (const name of SETUP) {
    const value = state[side ? `other-${name}` : name];
    if (value !== undefined) words[name] = value;
  }
  words.lane = side ? "other" : "first";
  return words;
}

export const twoSetups = () => Boolean(state["other-instrument"]);

const minute = 60000;
export const atMinutes = (start, minutes) => `${new Date(Date.parse(start) + minutes * minute).toISOString().slice(0, 16)}Z`;
export const minutesTo = (start, time) => Math.round((Date.parse(time) - Date.parse(start)) / minute);
