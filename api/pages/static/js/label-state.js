// What one person says of one example, as a value: every change makes a new one, so that undo only has to keep them.
// `bodyOf` turns it into the label's own form, `fromBody` back.

import { rounded } from "./label-curve.js";

export const GRADES = ["serviceable", "clean-and-reuse", "replace"];
export const NOTHING = Object.freeze({
  part: null,
  view: null,
  fit: null,
  faults: [],
  grade: undefined, // not set by hand: the worst of the modes; null: cannot be said
  only: false, // the grade alone, no modes
  modes: {},
  marks: {},
  regions: {},
  matches: {},
  note: "",
});

/** A part's sheet of questions: {views: {view: {modes: [{key, measure, values}]}}} of the page, by part. */
export function asked(state, sheet) {
  return sheet[state.part]?.[state.view] ?? null;
}

/** With a part chosen; what belongs to another part goes, and a part with one view has it chosen. */
export function withPart(state, part, sheet) {
  if (state.part === part) return state;
  const views = Object.keys(sheet[part] ?? {});
  return { ...NOTHING, note: state.note, part, view: views.length === 1 ? views[0] : null };
}

/** With a view chosen; modes, marks and matches that this view asks for stay. */
export function withView(state, view, sheet) {
  const wanted = sheet[state.part][view];
  const keep = (given, names) => Object.fromEntries(Object.entries(given).filter(([name]) => names.includes(name)));
  return {
    ...state,
    view,
    modes: keep(state.modes, wanted.modes.map((mode) => mode.key)),
    marks: keep(state.marks, wanted.marks.map((mark) => mark.key)),
    regions: keep(state.regions, wanted.regions.map((region) => region.key)),
    matches: keep(state.matches, wanted.matches),
  };
}

/** The worst grade that a mode was given; null while no mode says one. */
export function worst(modes) {
  const ranks = Object.values(modes).map((value) => (value === "absent" ? 0 : GRADES.indexOf(value)));
  const found = Math.max(-1, ...ranks);
  return found < 0 ? null : GRADES[found];
}

/** The grade in force: set by hand, else proposed by the modes; an unfit photo or no part has none. */
export function gradeOf(state) {
  if (state.part === "none") return null;
  return state.grade === undefined ? worst(state.modes) : state.grade;
}

/** Keys of the questions that are asked now, in order. */
export function questions(state, sheet) {
  const keys = ["part"];
  if (!state.part || state.part === "none") return keys;
  if (Object.keys(sheet[state.part]).length > 1) keys.push("view");
  keys.push("fit");
  if (state.fit === false) keys.push("faults");
  const sheetOf = asked(state, sheet);
  if (sheetOf && state.fit && !state.only) keys.push(...sheetOf.modes.map((mode) => `mode:${mode.key}`));
  if (state.fit) keys.push("grade");
  return keys;
}

/** Whether a question has its answer. The grade counts as answered where the modes propose one. */
export function isAnswered(state, question, sheet) {
  if (question === "faults") return state.faults.length > 0;
  if (question === "grade") return state.grade !== undefined || (!state.only && modesAnswered(state, sheet));
  if (question.startsWith("mode:")) return question.slice(5) in state.modes;
  return state[question] !== null;
}

function modesAnswered(state, sheet) {
  return asked(state, sheet)?.modes.every((mode) => mode.key in state.modes) ?? false;
}

/** The first question without an answer, after `from` if that is given; null when all are answered. */
export function open(state, sheet, from = null) {
  const all = questions(state, sheet);
  const start = from === null ? 0 : all.indexOf(from) + 1;
  const rest = [...all.slice(start), ...all.slice(0, start)];
  return rest.find((one) => !isAnswered(state, one, sheet)) ?? null;
}

/** Grades that can be set by hand beside what the modes say: the worst mode decides, one not asked could be worse. */
export function allowed(state, sheet) {
  const found = asked(state, sheet);
  const modes = state.only ? {} : state.modes;
  const said = GRADES.indexOf(worst(modes));
  const open = found?.modes.filter((mode) => !(mode.key in modes)) ?? [];
  const could = (grade, rank) => rank === said || open.some((mode) => rank > said && mode.values.includes(grade));
  return [...GRADES.filter(could), ...(said < 0 ? ["null"] : [])];
}

const LEAST = { outline: 3, line: 2, polygon: 3, brush: 1 };
const isWhole = ({ shape, points, closed }) =>
  points.length >= LEAST[shape] && (closed || shape === "line" || shape === "brush");

/** Keys of marks and areas that were begun and enclose nothing yet. */
export function unfinished({ marks, regions }) {
  const all = [...Object.entries(marks), ...Object.entries(regions).flatMap(([key, list]) => list.map((one) => [key, one]))];
  return [...new Set(all.filter(([, shape]) => !isWhole(shape)).map(([key]) => key))];
}

/** The label's body, as the service takes it. What an unfit photo or no part cannot say is left out. */
export function bodyOf(state) {
  const isPart = state.part !== "none";
  const body = {
    part: state.part,
    view: isPart ? state.view : null,
    fit: !isPart || state.fit === true,
    faults: isPart && state.fit === false ? state.faults : [],
    grade: null,
    modes: {},
    marks: {},
    matches: {},
    regions: {},
    note: state.note.trim(),
  };
  if (!isPart || !state.fit) return body;
  const marks = Object.entries(state.marks).filter(([, mark]) => isWhole(mark));
  const regions = Object.entries(state.regions).map(([key, shapes]) => [key, shapes.filter(isWhole).map(plain)]);
  return {
    ...body,
    grade: gradeOf(state),
    modes: state.only ? {} : state.modes,
    marks: Object.fromEntries(marks.map(([key, mark]) => [key, plain(mark)])),
    matches: state.matches,
    regions: Object.fromEntries(regions.filter(([, shapes]) => shapes.length)),
  };
}

function plain({ shape, points, erase, radius }) {
  const out = { shape, points: points.map(rounded) };
  if (shape === "brush") return { ...out, radius, erase };
  return shape === "polygon" ? { ...out, erase } : out;
}

/** A saved label's body, to be looked at or changed; its points are as they were stored. */
export function fromBody(body) {
  const marks = Object.entries(body.marks ?? {}).map(([key, mark]) => [
    key,
    { shape: mark.shape, points: mark.points, closed: mark.shape !== "line" },
  ]);
  const regions = Object.entries(body.regions ?? {}).map(([key, shapes]) => [
    key,
    shapes.map((one) => ({ ...one, closed: true })),
  ]);
  const modes = body.modes ?? {};
  return {
    ...NOTHING,
    part: body.part,
    view: body.view ?? null,
    fit: body.fit,
    faults: body.faults ?? [],
    grade: body.part === "none" || worst(modes) === body.grade ? undefined : body.grade,
    only: body.part !== "none" && body.fit && Object.keys(modes).length === 0,
    modes,
    marks: Object.fromEntries(marks),
    regions: Object.fromEntries(regions),
    matches: body.matches ?? {},
    note: body.note ?? "",
  };
}
