// What stands beside the questions: tools and how far they have come, what can be pressed, the grade that follows.

import { byId } from "./dom.js";
import { progress } from "./label-shapes.js";
import { asked, gradeOf, open } from "./label-state.js";

const act = (name) => document.querySelector(`[data-act="${name}"]`);

/** The buttons of the tools that this part and view have; the others are hidden. */
export function toolButtons({ part, view }) {
  const items = [...document.querySelectorAll(".label-tools > li")];
  for (const item of items) item.hidden = item.dataset.part !== part || item.dataset.view !== view;
  return items.filter((item) => !item.hidden).map((item) => item.firstElementChild);
}

/**
 * @param {object} state
 * @param {object} sheet
 * @param {{pen: object, series: object, history: object, hidden: boolean, canTakeBack: boolean}} now
 */
export function showBoard(state, sheet, { pen, series, history, hidden, canTakeBack }) {
  byId("label-marks").hidden = !state.fit || !asked(state, sheet);
  const at = pen.tool ?? series.tool;
  for (const button of toolButtons(state)) showTool(button, state, at);
  showPen(pen);
  act("hide").setAttribute("aria-pressed", String(hidden));
  act("undo").disabled = !history.canUndo;
  act("redo").disabled = !history.canRedo;
  act("back").hidden = !canTakeBack;
  const note = byId("label-note");
  if (note.value !== state.note && note !== document.activeElement) note.value = state.note;
  byId("label-verdict").textContent = verdict(state, sheet);
}

function showTool(button, state, at) {
  const { tool: kind, name, hint } = button.dataset;
  const drawn = { mark: state.marks, region: state.regions, match: state.matches }[kind][name];
  const words = { mark: progress, region: (shapes) => `${shapes.length} drawn`, match: (step) => `like ${step.toFixed(1)}` };
  button.setAttribute("aria-pressed", String(at?.kind === kind && at.key === name));
  button.querySelector("[data-count]").textContent = drawn === undefined ? hint : words[kind](drawn);
  button.classList.toggle("is-answered", drawn !== undefined);
}

function showPen({ tool, paints, isBrush, erase }) {
  byId("label-tool").hidden = !tool;
  if (!tool) return;
  byId("label-tool-name").textContent = tool.title;
  const least = tool.least > 2 ? `; measured from ${tool.least} points on` : "";
  byId("label-tool-hint").textContent = tool.hint + least;
  for (const name of ["brush", "erase"]) act(name).hidden = tool.kind !== "region";
  for (const name of ["smaller", "larger"]) act(name).hidden = !paints;
  act("remove").hidden = paints;
  act("close").hidden = paints || tool.shape === "line";
  act("brush").setAttribute("aria-pressed", String(isBrush));
  act("erase").setAttribute("aria-pressed", String(erase));
}

function verdict(state, sheet) {
  if (open(state, sheet)) return "";
  if (state.part === "none") return "None of the parts.";
  if (!state.fit) return `Not fit to judge: ${state.faults.join(", ").replaceAll("_", " ")}.`;
  const by = state.only || state.grade !== undefined ? "" : ", the worst of the modes";
  return `Grade: ${gradeOf(state) ?? "cannot be said"}${by}.`;
}
