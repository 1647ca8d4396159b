// The questions: which are asked, which one is open (only its answers have keys), and what an answer changes.

import { allowed, GRADES, gradeOf, isAnswered, open, questions, withPart, withView, worst } from "./label-state.js";

const nodes = () => [...document.querySelectorAll("[data-question]")];

export class Questions {
  /**
   * @param {object} sheet The page's sheet of parts and views.
   * @param {import("./label-history.js").History} history
   * @param {{say: (text: string) => void, done: () => void}} desk `done`: all is answered.
   */
  constructor(sheet, history, desk) {
    Object.assign(this, { sheet, history, desk, current: "part", muted: false });
    nodes().forEach((node) => this.#listen(node));
  }

  #listen(node) {
    node.addEventListener("focusin", () => this.#open(node.dataset.question));
    node.addEventListener("click", ({ target }) => {
      const button = target.closest("[data-value]");
      if (button) this.answer(node.dataset.question, button.dataset.value);
    });
    node.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (step) this.#along(node, step);
      else if (event.key === "Enter" && event.target === node) this.onward(node.dataset.question);
      else return;
      event.preventDefault();
    });
  }

  /** Arrows go along the answers; Space or Enter gives the one that has the focus. */
  #along(node, step) {
    const buttons = [...node.querySelectorAll("[data-value]:not([disabled])")];
    const now = buttons.indexOf(document.activeElement);
    buttons[(now + step + buttons.length + (now < 0 && step < 0 ? 1 : 0)) % buttons.length].focus();
  }

  #open(key) {
    if (this.current === key) return;
    this.current = key;
    this.render(this.history.now);
  }

  /** Goes to the first question without an answer, after `from` if that is given; then to saving. */
  onward(from = null) {
    const next = open(this.history.now, this.sheet, from);
    if (next === null) return this.desk.done();
    return this.go(next);
  }

  go(key) {
    this.current = key;
    this.render(this.history.now);
    const node = this.#node(key);
    node?.focus({ preventScroll: true });
    node?.scrollIntoView({ block: "nearest" });
  }

  #node(key) {
    return nodes().find((node) => node.dataset.question === key && !node.hidden);
  }

  /** One answer, as the page names it. */
  answer(question, value) {
    const { now } = this.history;
    if (question === "grade" && !allowed(now, this.sheet).includes(value)) {
      return this.desk.say("The worst mode decides. Change that mode, or take the grade alone.");
    }
    this.history.set(this.#answered(now, question, value));
    if (question === "faults") return undefined; // several can be named
    return this.onward(question);
  }

  #answered(now, question, value) {
    if (question === "part") return withPart(now, value, this.sheet);
    if (question === "view") return withView(now, value, this.sheet);
    if (question === "fit") return { ...now, fit: value === "true", faults: value === "true" ? [] : now.faults };
    if (question === "faults") {
      const rest = now.faults.filter((kind) => kind !== value);
      return { ...now, faults: rest.length < now.faults.length ? rest : [...now.faults, value] };
    }
    if (question === "grade") {
      const given = value === "null" ? null : value;
      return { ...now, grade: !now.only && given === worst(now.modes) ? undefined : given };
    }
    const modes = { ...now.modes, [question.slice(5)]: value };
    return { ...now, only: false, modes, grade: undefined };
  }

  /** Without keys while something else takes the digits. */
  mute(muted) {
    this.muted = muted;
    this.render(this.history.now);
  }

  /** All modes that are left: absent. */
  restAbsent() {
    const { now } = this.history;
    const left = questions(now, this.sheet).filter((key) => key.startsWith("mode:") && !isAnswered(now, key, this.sheet));
    if (!left.length) return this.desk.say("No mode is left.");
    const modes = { ...now.modes, ...Object.fromEntries(left.map((key) => [key.slice(5), "absent"])) };
    this.history.set({ ...now, modes, grade: undefined });
    return this.onward();
  }

  /** The grade alone; pressed again, the modes come back. */
  gradeOnly() {
    const { now } = this.history;
    if (!now.fit) return this.desk.say("First say that the photo is fit.");
    this.history.set({ ...now, only: !now.only, grade: undefined });
    return now.only ? this.onward() : this.go("grade");
  }

  render(state) {
    const asked = questions(state, this.sheet);
    if (!asked.includes(this.current)) this.current = open(state, this.sheet) ?? "part";
    for (const node of nodes()) {
      const { question, part, view } = node.dataset;
      node.hidden = !asked.includes(question) || (part ?? state.part) !== state.part || (view ?? state.view) !== state.view;
      if (!node.hidden) this.#show(node, question, state);
    }
    document.querySelector('[data-act="only"]').setAttribute("aria-pressed", String(state.only));
    const hasModes = asked.some((key) => key.startsWith("mode:"));
    document.querySelector('[data-act="rest"]').hidden = !hasModes;
    document.querySelector("#label-short").hidden = !asked.includes("grade");
  }

  #show(node, question, state) {
    const isNow = question === this.current;
    node.classList.toggle("is-now", isNow);
    node.classList.toggle("is-answered", isAnswered(state, question, this.sheet));
    node.dataset.row = "";
    const given = this.#given(question, state);
    const free = question === "grade" ? allowed(state, this.sheet) : null;
    let tabbed = false;
    for (const button of node.querySelectorAll("[data-value]")) {
      const { value, digit } = button.dataset;
      const on = given.includes(value);
      button.setAttribute(button.hasAttribute("role") ? "aria-checked" : "aria-pressed", String(on));
      if (free) button.setAttribute("aria-disabled", String(!free.includes(value)));
      if (isNow && !this.muted) button.dataset.key = digit;
      else delete button.dataset.key;
      if (button.hasAttribute("role")) button.tabIndex = on ? 0 : -1;
      tabbed ||= on;
    }
    const first = node.querySelector("[role=radio]");
    if (first && !tabbed) first.tabIndex = 0;
  }

  #given(question, state) {
    if (question === "faults") return state.faults;
    if (question === "grade") return state.only && state.grade === undefined ? [] : gradeWord(state, this.sheet);
    if (question.startsWith("mode:")) return [state.modes[question.slice(5)]];
    return [String(state[question])];
  }
}

function gradeWord(state, sheet) {
  if (!isAnswered(state, "grade", sheet)) return [];
  const grade = gradeOf(state);
  return [GRADES.includes(grade) ? grade : "null"];
}
