// The labelling desk: one example after the other, from the photo to the saved label.

import { byId } from "./dom.js";
import { showAfter } from "./label-after.js";
import { showBoard, toolButtons } from "./label-board.js";
import { fingers } from "./label-fingers.js";
import { History } from "./label-history.js";
import { Keep } from "./label-keep.js";
import { Measured } from "./label-measured.js";
import { notice, say } from "./label-notice.js";
import { Outbox } from "./label-outbox.js";
import { Pen } from "./label-pen.js";
import { penKeys } from "./label-pen-keys.js";
import { Questions } from "./label-questions.js";
import { ask, NoLink, Refused } from "./label-send.js";
import { Series } from "./label-series.js";
import { Stage } from "./label-stage.js";
import { asked, bodyOf, fromBody, NOTHING, open, unfinished } from "./label-state.js";
import { showLabels, titleOf } from "./label-two.js";

const PHOTO_PX = 2000;

const root = byId("label");
const sheet = JSON.parse(byId("label-sheet").textContent);
const keep = new Keep(root.dataset.account);
const outbox = new Outbox(keep);
/** Titles of a part's modes, by mode and by measure. */
const titlesOf = (part) =>
  Object.fromEntries(
    Object.values(sheet[part] ?? {})
      .flatMap(({ modes }) => modes)
      .flatMap(({ key, measure, title }) => [[key, title], [measure, title]]), // prettier-ignore
  );
let example = null;
let clock = { began: 0, before: 0, key: "" };
let hidden = false;

const history = new History(NOTHING, changed);
const stage = new Stage(byId("label-canvas"), scene);
const pen = new Pen(stage.view, history, { say, changed: render });
const questions = new Questions(sheet, history, { say, done: () => byId("label-save").focus() });
const turned = (open) => questions.mute(open);
const series = new Series(history, { stage, say, turned, done: () => questions.onward() });
const measured = new Measured(say);

function scene() {
  const { marks, regions } = history.now;
  return {
    marks,
    regions,
    active: pen.tool,
    picked: pen.picked,
    cursor: document.activeElement === stage.canvas || pen.paints ? pen.cursor : null,
    radius: pen.paints ? pen.radius : 0,
    hidden,
    others: example?.shown ?? [],
    titles: Object.fromEntries(toolButtons(history.now).map(({ dataset }) => [dataset.name, dataset.title])),
  };
}

/** After each step: what is said is kept on the device at once. */
function changed() {
  keep.keepDraft(example.id, { state: history.now, seconds: seconds(), key: clock.key });
  measured.follow(history.now, example.id, titlesOf(history.now.part));
  render();
}

function render() {
  questions.render(history.now);
  series.render();
  showBoard(history.now, sheet, { pen, series, history, hidden, canTakeBack: Boolean(keep.last) });
  stage.repaint();
}

/** Runs what asks the service; a lost link or a refusal is said, with a way to try again. */
async function tried(work, again = null) {
  try {
    return await work();
  } catch (error) {
    if (!(error instanceof NoLink || error instanceof Refused)) throw error;
    return notice(error.message, again && ["Try again", again]);
  }
}

/* One example */

const seconds = () => clock.before + (performance.now() - clock.began) / 1000;

async function next() {
  if (keep.outbox.length === 0) notice();
  return tried(async () => {
    const { example: found, waiting, say: why } = await ask("/examples/next");
    return found ? show(found, { waiting }) : nothing(why);
  }, next);
}

/** One example by its address, kept from others meanwhile. */
function only(id) {
  return tried(
    async () => show(await ask(`/examples/${id}/hold`, { method: "POST" })),
    () => only(id),
  );
}

function nothing(why) {
  example = null;
  for (const id of ["label-stage", "label-ask", "label-after"]) byId(id).hidden = true;
  byId("label-title").textContent = "Nothing waits for you";
  notice(why);
  byId("label-title").focus();
}

async function show(found, { state, waiting } = {}) {
  const draft = state ? null : keep.draft(found.id);
  const isOpen = ["third", "again"].includes(found.asks);
  example = { ...found, shown: isOpen ? found.labels.slice(-2).map(({ body }) => body) : [] };
  clock = { began: performance.now(), before: draft?.seconds ?? 0, key: draft?.key ?? crypto.randomUUID() };
  pen.leave();
  measured.clear();
  series.close();
  history.begin(state ?? draft?.state ?? (found.asks === "correction" ? fromBody(found.own.body) : NOTHING));
  byId("label-title").textContent = titleOf(found.asks) + (waiting ? `, ${waiting} waiting` : "");
  window.history.replaceState(null, "", `/teaching/label/${found.id}`);
  byId("label-after").hidden = byId("label-leave-form").hidden = true;
  byId("label-stage").hidden = byId("label-ask").hidden = false;
  byId("label-save").disabled = found.asks === "nothing";
  if (found.asks === "nothing") notice("This example waits for nothing from you; nothing can be saved.", ["Next photo", next]);
  showLabels(byId("label-two"), example, titlesOf(example.shown[0]?.part), takeLabel);
  render();
  measured.follow(history.now, found.id, titlesOf(history.now.part));
  questions.onward();
  if (isOpen) byId("label-two").scrollIntoView({ block: "nearest" });
  if (draft) say("Your draft is here again.");
  return showPhoto();
}

async function showPhoto() {
  try {
    await stage.load(`/api/v1/photos/${example.photo}/content?width=${PHOTO_PX}`);
    clock.began = performance.now();
  } catch {
    notice("The photo could not be loaded.", ["Try again", showPhoto]);
  }
}

/** Takes somebody's label as one's own, to be saved or changed. */
function takeLabel(body) {
  history.set(fromBody(body));
  say("Taken. Change what is wrong, then save.");
  questions.onward();
}

/* Saving, taking back, leaving out */

async function save() {
  const left = open(history.now, sheet);
  if (left) {
    say("This question has no answer yet.");
    return questions.go(left);
  }
  const begun = history.now.fit ? unfinished(history.now) : [];
  if (begun.length) return notice(`Not closed yet: ${begun.join(", ")}. Close it with its tool, or clear it.`);
  notice();
  const item = { example: example.id, body: bodyOf(history.now), seconds: Math.round(10 * seconds()) / 10, key: clock.key };
  byId("label-save").disabled = true;
  try {
    return saved(item.body, await outbox.send(item));
  } catch (error) {
    if (error instanceof NoLink) {
      saved(item.body, null);
      return outbox.hold(item);
    }
    if (!(error instanceof Refused)) throw error;
    const login = "You are no longer logged in. Log in in another window, then save again: nothing is lost.";
    return notice(error.status === 401 ? login : error.message);
  } finally {
    byId("label-save").disabled = false;
  }
}

function saved(body, answer) {
  keep.last = { example, state: history.now };
  keep.dropDraft(example.id);
  history.begin(history.now);
  pen.leave();
  byId("label-ask").hidden = byId("label-tool").hidden = true;
  byId("label-after").hidden = false;
  byId("label-saved").textContent = answer ? "Saved" : "Kept on this device";
  showAfter(byId("label-opinion"), body, answer);
  byId("label-next").focus();
  say(`${byId("label-saved").textContent}.`);
}

/** Takes back the label saved last and shows it again, as it was. */
function takeBack() {
  const { last } = keep;
  if (!last) return say("Nothing to take back.");
  return tried(async () => {
    const wasWaiting = outbox.takeBack(last.example.id);
    const found = wasWaiting ? last.example : (await ask(`/examples/${last.example.id}/labels`, { method: "DELETE" })).example;
    keep.last = null;
    notice();
    return show(found, { state: last.state });
  });
}

function leaveOut(event) {
  event.preventDefault();
  const why = byId("label-why");
  return tried(async () => {
    await ask(`/examples/${example.id}/leave-out`, { method: "POST", body: { reason: why.value } });
    keep.dropDraft(example.id);
    why.value = "";
    return next();
  });
}

function askWhy(shown) {
  byId("label-leave-form").hidden = !shown;
  if (shown) byId("label-why").focus();
  else questions.onward();
}

/* Buttons and keys */

function zoom(factor) {
  if (factor) stage.view.zoomBy(factor, pen.cursor ? stage.view.toScreen(pen.cursor) : undefined);
  else stage.view.whole();
  stage.repaint();
}

function step(way) {
  Object.assign(pen, { picked: -1, stroke: false, moving: false });
  const done = history[way]();
  say(done ? { undo: "Undone.", redo: "Done again." }[way] : "No step left.");
}

function flip(thing, name) {
  thing[name] = !thing[name];
  render();
}

const acts = {
  "zoom-in": () => zoom(1.5),
  "zoom-out": () => zoom(1 / 1.5),
  "zoom-whole": () => zoom(),
  hide: () => {
    hidden = !hidden;
    render();
  },
  "to-photo": () => stage.canvas.focus(),
  close: () => pen.close(),
  remove: () => pen.remove(),
  clear: () => pen.clear(),
  brush: () => flip(pen, "isBrush"),
  erase: () => flip(pen, "erase"),
  smaller: () => pen.grow(1 / 1.25),
  larger: () => pen.grow(1.25),
  done: putAway,
  rest: () => questions.restAbsent(),
  only: () => questions.gradeOnly(),
  undo: () => step("undo"),
  redo: () => step("redo"),
  back: takeBack,
  leave: () => askWhy(true),
};

function putAway() {
  pen.leave();
  questions.onward();
  render();
}

function takeTool({ dataset }) {
  const { tool: kind, name: key, title, hint } = dataset;
  series.close();
  if (kind === "match") {
    pen.leave();
    return series.open({ kind, key, title }, example.id);
  }
  const mark = kind === "mark" ? asked(history.now, sheet).marks.find((one) => one.key === key) : null;
  pen.take({ kind, key, title, hint, shape: mark?.shape ?? "polygon", least: mark?.least ?? 0 });
  return stage.canvas.focus();
}

root.addEventListener("click", ({ target }) => {
  const button = target.closest("button");
  if (button?.dataset.act in acts) acts[button.dataset.act]();
  else if (button?.dataset.tool) takeTool(button);
});
document.addEventListener("keydown", (event) => {
  const key = event.key.toLowerCase();
  if (!(event.ctrlKey || event.metaKey) || event.altKey || !"zy".includes(key)) return;
  if (!example || event.target.matches("input, textarea")) return;
  event.preventDefault();
  step(key === "y" || event.shiftKey ? "redo" : "undo");
});
penKeys(stage.canvas, pen, putAway);
fingers(stage.canvas, pen);
for (const event of ["focus", "blur"]) stage.canvas.addEventListener(event, () => stage.repaint());
byId("label-save").addEventListener("click", save);
byId("label-next").addEventListener("click", next);
byId("label-again").addEventListener("click", takeBack);
byId("label-leave-form").addEventListener("submit", leaveOut);
byId("label-stay").addEventListener("click", () => askWhy(false));
byId("label-note").addEventListener("input", ({ target }) => history.set({ ...history.now, note: target.value }));
window.addEventListener("beforeunload", (event) => {
  if (keep.outbox.length || history.canUndo) event.preventDefault();
});

if (keep.outbox.length) await outbox.resend();
await (root.dataset.example ? only(root.dataset.example) : next());
