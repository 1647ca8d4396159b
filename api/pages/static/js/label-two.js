// Labels of others, where they may be seen: the two that a third person decides between, or those that a model doubts.

import { el } from "./dom.js";

const ASKS = {
  label: ["Label a photo", ""],
  correction: ["Correct your label", ""],
  third: ["Two people differ: decide", "Take one of them and change what is wrong in it, or say your own."],
  again: ["Look again: a label is doubted", "Where it is right, take it and save: it stands. Else say your own."],
  nothing: ["An example", ""],
};
const FIELDS = ["part", "view", "fit", "faults", "grade"];
const NAMES = ["the first", "the second"];
const STYLES = ["solid", "dashed"];
const KEYS = ["[", "]"];

/** What the page is headed by for what the example asks of this person. */
export const titleOf = (asks) => ASKS[asks][0];

/**
 * A table of what was said, where it differs, and a button that takes each label as one's own.
 * @param {HTMLElement} box Filled; hidden where nothing may be shown.
 * @param {object} example With `shown`, the bodies; `doubt`, what the doubting model says.
 * @param {Record<string, string>} titles Of modes and measures.
 * @param {(body: object) => void} take
 */
export function showLabels(box, { asks, shown, doubt }, titles, take) {
  box.hidden = shown.length === 0;
  if (box.hidden) return box.replaceChildren();
  const [title, hint] = ASKS[asks];
  return box.replaceChildren(
    el("p", { className: "hint" }, hint, doubt ? ` ${doubtWords(doubt)}` : ""),
    el("div", { className: "label-table", tabIndex: 0, role: "region", "aria-label": title }, table(shown, titles)),
    el("p", { className: "label-bar" }, shown.map((body, person) => takeButton(body, person, shown.length, take))),
  );
}

const nameOf = (person, count) => (count === 1 ? "this label" : NAMES[person]);

function table(bodies, titles) {
  const heads = bodies.map((_, person) =>
    el("th", { scope: "col" }, `${nameOf(person, bodies.length)} (${STYLES[person]})`),
  );
  const lines = rows(bodies, titles).map(([field, said]) => {
    const differs = new Set(said).size > 1;
    const mark = differs ? el("span", { className: "hint" }, " differs") : null;
    const cells = said.map((one) => el("td", {}, differs ? el("strong", {}, one) : one));
    return el("tr", { className: differs ? "differs" : "" }, el("th", { scope: "row" }, field, mark), cells);
  });
  const head = el("tr", {}, el("th", { scope: "col" }, "what"), heads);
  return el("table", {}, el("thead", {}, head), el("tbody", {}, lines));
}

/** What somebody said in each field, in words; only fields that one of them filled. */
function rows(bodies, titles) {
  const keys = (field) => [...new Set(bodies.flatMap((body) => Object.keys(body[field])))];
  const drawn = ({ marks, regions }) => [...Object.keys(marks), ...Object.keys(regions)].sort().join(", ") || "nothing";
  const lines = [
    ...FIELDS.map((field) => [field, bodies.map((body) => words(body[field]))]),
    ...["modes", "matches"].flatMap((field) =>
      keys(field).map((key) => [titles[key] ?? key, bodies.map((body) => words(body[field][key]))]),
    ),
    ["drawn", bodies.map(drawn)],
    ["note", bodies.map(({ note }) => note || "none")],
  ];
  return lines.filter(([, said]) => said.some((one) => !["not said", "none", "nothing"].includes(one)));
}

function words(value) {
  if (value === null || value === undefined) return "not said";
  if (typeof value === "boolean") return value ? "yes" : "no";
  return String(Array.isArray(value) ? value.join(", ") || "none" : value).replaceAll("_", " ");
}

function takeButton(body, person, count, take) {
  const button = el(
    "button",
    { type: "button", className: "plain", "aria-keyshortcuts": KEYS[person], "data-key": KEYS[person] },
    `Take ${nameOf(person, count)} `,
    el("kbd", { "aria-hidden": "true" }, KEYS[person]),
  );
  button.addEventListener("click", () => take(body));
  return button;
}

function doubtWords({ grade, quality }) {
  const says = grade ? `A model that did not learn from it says ${grade}` : "A model that did not learn from it differs";
  return `${says} (it believes this label to ${Math.round(100 * quality)} %).`;
}
