// One stack for undo and redo of everything that is said and drawn before it is saved.

export class History {
  /** @param {object} first What there is to begin with. @param {(now: object) => void} changed Called after each step. */
  constructor(first, changed) {
    this.changed = changed;
    this.begin(first);
  }

  /** Forgets all steps: another example, or one that was saved. */
  begin(first) {
    this.past = [];
    this.future = [];
    this.now = first;
  }

  get canUndo() {
    return this.past.length > 0;
  }

  get canRedo() {
    return this.future.length > 0;
  }

  /** A step; one that changes nothing is none. */
  set(next) {
    if (next === this.now) return;
    this.past.push(this.now);
    this.future = [];
    this.now = next;
    this.changed(next);
  }

  /** Changes the newest step while it is being made (a point that is dragged). */
  amend(next) {
    this.now = next;
    this.changed(next);
  }

  undo() {
    return this.#move(this.past, this.future);
  }

  redo() {
    return this.#move(this.future, this.past);
  }

  #move(from, to) {
    if (!from.length) return false;
    to.push(this.now);
    this.now = from.pop();
    this.changed(this.now);
    return true;
  }
}
