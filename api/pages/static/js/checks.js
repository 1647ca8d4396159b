// Hand checks without a link: steps, cautions where they are due, and what a reading says.

import { byId, el, radios } from "./dom.js";
import { keep, keepSending, known, onChange, queue } from "./link.js";
import { readingItem } from "./queue.js";
import { readReading } from "./readings.js";

export const SAYS = {
  good: "Good",
  clean: "Clean and reuse",
  replace: "Replace",
  again: "Read again",
  elsewhere: "The fault lies elsewhere",
  adjust: "Adjust the setting",
};
export const PARTS = { flame_cell: "Flame-sensing cell", electrode: "Ignition electrode", coupler: "Drive coupler" };

/** The checks of a part, each with an entry; readings belong to the grade chosen above them. */
export async function showChecks(part, grade = "") {
  const data = await known("/api/v1/checks");
  const list = byId("checks-list");
  if (!data) return list.replaceChildren(el("p", {}, "Open this page once with a link; then the checks stay here."));
  byId("checks-part").value = part;
  await offerGrades(part, grade);
  byId("checks-cautions").replaceChildren(...data.cautions.map((text) => el("li", {}, text)));
  const rows = data.checks.filter((check) => check.part === part);
  return list.replaceChildren(...rows.map((check) => shown(check, data)));
}

async function offerGrades(part, chosen) {
  const select = byId("checks-grade");
  const { store } = await queue();
  const waiting = (await store.items()).filter((one) => one.kind === "grade" && (one.body.part ?? part) === part);
  const sent = (await store.sent()).filter((one) => one.kind === "grade" && (one.part ?? part) === part);
  const rows = [...waiting, ...sent].map((one) => {
    const at = new Date(one.kept ?? one.at).toLocaleTimeString(undefined, { timeStyle: "short" });
    return el("option", { value: one.id }, `${one.label}, ${at}`);
  });
  const other = chosen && !rows.some((row) => row.value === chosen) ? [el("option", { value: chosen }, "This grade")] : [];
  select.replaceChildren(el("option", { value: "" }, "None: only tell me what a reading says"), ...other, ...rows);
  select.value = chosen;
}

function shown(check, data) {
  return el(
    "details",
    { className: "check", id: `check-${check.id}` },
    el("summary", {}, check.title),
    el("p", {}, check.why),
    check.cautions.length ? el("ul", { className: "caution" }, check.cautions.map((text) => el("li", {}, text))) : null,
    check.needs.length ? el("p", {}, `You need: ${check.needs.join(", ")}.`) : null,
    el("ol", { className: "steps" }, check.steps.map((text) => el("li", {}, text))),
    check.reading ? entry(check, data) : null,
    el("p", { className: "source" }, `Source: ${check.source}`),
  );
}

/** Entry fields of a reading; `value()` gives [text, unit]. */
export function readingFields(check, data) {
  const { unit, quantity, answers } = check.reading;
  const words = answers.filter((answer) => answer.word).map((answer) => answer.word);
  if (!unit) {
    const field = radios(quantity, `word-${check.id}`, words.map((word) => [word, word]));
    return { nodes: [field], value: () => [field.querySelector(":checked")?.value ?? "", ""] };
  }
  const input = el("input", { type: "text", required: true, autocomplete: "off", id: `value-${check.id}` });
  const units = Object.keys(data.units[unit] ?? { [unit]: 1 });
  const select = el("select", { id: `unit-${check.id}` }, units.map((name) => el("option", { value: name }, name)));
  select.value = unit;
  const flashes = answers.some((answer) => "flashes" in answer) ? ["3 flashes"] : [];
  const also = [...words, ...flashes].map((word) => `“${word}”`).join(", ");
  const label = el("label", { for: input.id }, quantity, also ? el("span", { className: "hint" }, ` a number, or ${also}`) : null);
  const scale = el("div", {}, el("label", { for: select.id }, "Unit"), select);
  return { nodes: [el("div", { className: "number-row field" }, el("div", {}, label, input), scale)], value: () => [input.value, select.value] };
}

function entry(check, data) {
  const fields = readingFields(check, data);
  const answer = el("div", { role: "status" });
  const form = el("form", {}, fields.nodes, el("button", { type: "submit" }, "What does it say?"), answer);
  form.onsubmit = async (event) => {
    event.preventDefault();
    const [value, unit] = fields.value();
    let finding;
    try {
      finding = readReading(check, { value, unit }, data);
    } catch (error) {
      return answer.replaceChildren(el("p", { className: "error" }, error.message));
    }
    const said = el("p", { "data-says": finding.says, className: `answer s-${finding.says}` }, el("strong", {}, `${SAYS[finding.says]}. `), finding.text);
    const grade = byId("checks-grade").value;
    if (!grade) return answer.replaceChildren(said);
    try {
      await keep([readingItem(grade, check.id, value, unit, `${check.title}: ${finding.entered}`)]);
    } catch (error) {
      return answer.replaceChildren(said, notKept(error));
    }
    answer.replaceChildren(said, el("p", { "data-kept": "" }, "Kept on this phone."));
    return keepSending();
  };
  return form;
}

/** What to do when the phone's storage took nothing. */
export function notKept(error) {
  const why = `NOT kept: ${error?.message || "the phone's storage took nothing"}. Free some space and try again; write it down.`;
  return el("p", { className: "error", role: "alert" }, why);
}

export function startChecks() {
  byId("checks-part").onchange = (event) => showChecks(event.target.value);
  onChange(() => {
    if (!byId("checks").hidden) void offerGrades(byId("checks-part").value, byId("checks-grade").value);
  });
}
