// After saving: what the model thought, beside what was said. Quiet, for it is no verdict on the label.

import { el } from "./dom.js";

/** The model's report in one line. */
function opinionWords(opinion) {
  if (!opinion) return "The model was not asked.";
  if (opinion.grade) {
    const share = opinion.probabilities?.[opinion.grade];
    const others = (opinion.possible_grades ?? []).filter((grade) => grade !== opinion.grade);
    return `The model: ${opinion.grade}${share ? ` (${Math.round(100 * share)} %)` : ""}${others.length ? `, possibly ${others.join(" or ")}` : ""}.`;
  }
  const faults = (opinion.faults ?? []).map((fault) => fault.kind?.replaceAll("_", " "));
  if (faults.length) return `The model: not fit to judge (${faults.join(", ")}).`;
  return "The model: none of the parts, or no grade.";
}

/**
 * @param {HTMLElement} box
 * @param {object} body What was saved.
 * @param {{opinion?: object} | null} answer Of the service; null where the label waits for a link.
 */
export function showAfter(box, body, answer) {
  const own = body.part === "none" ? "none of the parts" : body.fit ? (body.grade ?? "cannot be said") : "not fit";
  const line = answer ? opinionWords(answer.opinion) : "Kept on this device: no link. It is sent when the link is back.";
  const worn = (answer?.opinion?.measures ?? []).filter((one) => one.grade && one.grade !== "serviceable");
  box.replaceChildren(
    el("p", {}, el("strong", {}, `You: ${own}.`), ` ${line}`),
    worn.length
      ? el("p", { className: "hint" }, `It saw: ${worn.map((one) => `${one.mode} ${one.grade}`).join(", ")}.`)
      : "",
  );
}
