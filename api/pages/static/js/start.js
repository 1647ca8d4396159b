// Where to start, without a link: a symptom, then one check after the other; the path is kept and sent.

import { notKept, PARTS, readingFields, SAYS } from "./checks.js";
import { byId, el } from "./dom.js";
import { keep, keepSending, known, queue } from "./link.js";
import { item } from "./queue.js";
import { walk } from "./walk.js";

/** The symptoms, or one of them as far as it was walked. */
export async function showStart(id) {
  const [starts, checks] = await Promise.all([known("/api/v1/starts"), known("/api/v1/checks")]);
  const place = byId("start-walk");
  if (!starts || !checks) {
    return place.replaceChildren(el("p", {}, "Open this page once with a link; then the walks stay here."));
  }
  const data = { ...starts, units: checks.units, open: checks.open };
  const start = data.starts.find((one) => one.id === id);
  const cautions = el("ul", { className: "caution" }, checks.cautions.map((text) => el("li", {}, text)));
  if (!start) {
    const rows = data.starts.map((one) => el("li", {}, el("a", { href: `#start/${one.id}` }, one.title), ` ${one.seen_as}`));
    return place.replaceChildren(cautions, el("p", {}, "What does the burner do?"), el("ul", {}, rows));
  }
  // An unfinished walk outlives the page, too.
  const { store } = await queue();
  const answers = (await store.fact(`walk-${id}`)) ?? [];
  return draw(place, cautions, start, answers, data);
}

async function draw(place, cautions, start, answers, data) {
  const { steps, check, end, photograph } = walk(start.id, answers, data);
  const { store } = await queue();
  const go = async (next) => {
    walk(start.id, next, data); // a refused answer is thrown here and never kept
    await store.note(`walk-${start.id}`, next);
    await draw(place, cautions, start, next, data);
    place.querySelector("h4")?.focus();
  };
  const path = steps.map((step) =>
    el(
      "li",
      { "data-says": step.finding.says },
      `${step.check.title}: ${step.finding.entered}. `,
      el("strong", {}, `${SAYS[step.finding.says]}. `),
      `${step.finding.text} ${step.note}`,
    ),
  );
  const back = el("button", { type: "button", disabled: !answers.length }, "One step back");
  back.onclick = () => go(answers.slice(0, -1));
  place.replaceChildren(
    cautions,
    el("h3", {}, start.title),
    path.length ? el("ol", { className: "path", "aria-label": "Path so far" }, path) : "",
    check ? asked(check, answers, data, go) : ended(end, start, answers, photograph, go),
    el("p", { className: "actions" }, back, " ", el("a", { href: "#start" }, "All symptoms")),
  );
}

function asked(check, answers, data, go) {
  const fields = readingFields(check, data);
  const refusal = el("div", { role: "status" });
  const form = el("form", {}, fields.nodes, el("button", { type: "submit" }, "Next"), refusal);
  form.onsubmit = async (event) => {
    event.preventDefault();
    const [value, unit] = fields.value();
    const next = [...answers, { check: check.id, answer: unit ? { value, unit } : value }];
    try {
      await go(next);
    } catch (error) {
      refusal.replaceChildren(el("p", { className: "error" }, error.message));
    }
  };
  const photo = check.photograph;
  return el(
    "section",
    { id: `start-${check.id}` },
    el("h4", { tabIndex: -1 }, check.title),
    el("p", {}, check.why),
    el("ul", { className: "caution" }, check.cautions.map((text) => el("li", {}, text))),
    check.needs.length ? el("p", {}, `You need: ${check.needs.join(", ")}.`) : null,
    el("ol", { className: "steps" }, check.steps.map((text) => el("li", {}, text))),
    photo ? el("p", {}, el("a", { href: "#take" }, `Photograph: ${PARTS[photo]}`)) : null,
    form,
    el("p", { className: "source" }, `Source: ${check.source}`),
  );
}

function ended(end, start, answers, photograph, go) {
  const answer = el("div", { role: "status" });
  const button = el("button", { type: "button" }, "Keep this walk");
  button.onclick = async () => {
    const visit = await (await queue()).store.fact("visit");
    const body = { start: start.id, steps: answers, ...(visit && { inspection: visit.id }) };
    const needs = visit ? [visit.id] : [];
    try {
      await keep([item("walk", "/api/v1/walks", body, { needs, label: `Walk: ${start.title}` })]);
    } catch (error) {
      return answer.replaceChildren(notKept(error));
    }
    await go([]);
    byId("start-walk").prepend(el("p", { "data-kept": "", role: "status" }, "Kept on this phone."));
    return keepSending();
  };
  const photos = photograph.map((part) => PARTS[part]).join(", ");
  return el(
    "section",
    { id: `start-${end.id}` },
    el("h4", { tabIndex: -1 }, end.title),
    el("p", {}, end.text),
    photos ? el("p", {}, `Photographed on the way: ${photos}.`) : null,
    button,
    answer,
  );
}
