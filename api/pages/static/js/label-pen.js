// The pen on the canvas: where the cross-hair is, which point is picked, and what a press does with the tool at hand.
// Fingers and keys (label-fingers.js, label-pen-keys.js) both come here.

import { begin, close, movePoint, pointNear, progress, removePoint, setPoint, shapeOf, withShape } from "./label-shapes.js";

const LEAST_RADIUS = 0.003;
const MOST_RADIUS = 0.12;

export class Pen {
  /**
   * @param {import("./label-view.js").View} view
   * @param {import("./label-history.js").History} history
   * @param {{say: (text: string) => void, changed: () => void}} desk Speaks, and repaints.
   */
  constructor(view, history, desk) {
    Object.assign(this, { view, history, desk, radius: 0.02, erase: false, isBrush: true });
    this.leave();
  }

  /** Puts the tool away; the cross-hair goes. */
  leave() {
    Object.assign(this, { tool: null, cursor: null, picked: -1, stroke: false, moving: false });
  }

  /** Takes a tool {kind, key, shape, title}. */
  take(tool) {
    this.leave();
    this.tool = tool;
    this.cursor = this.view.toPicture([this.view.size.width / 2, this.view.size.height / 2]);
    this.desk.say(`${tool.title}: ${progress(shapeOf(this.history.now, tool))}`);
    this.desk.changed();
  }

  get paints() {
    return this.tool?.kind === "region" && this.isBrush;
  }

  get reaches() {
    return { reach: this.reach ?? 9, toScreen: (place) => this.view.toScreen(place), erase: this.erase };
  }

  near(at) {
    return pointNear(this.history.now, this.tool, at, this.reaches);
  }

  /** Whether a press on this point closes the shape at hand: its first, with two more set. */
  wouldClose(index) {
    const shape = shapeOf(this.history.now, this.tool);
    return index === 0 && !shape.closed && shape.shape !== "line" && shape.points.length > 2;
  }

  /** A press at a place: picks a point there, lets one go, or sets a new one. */
  press(at) {
    if (this.picked >= 0) return this.letGo();
    const { now } = this.history;
    const near = this.near(at);
    if (near >= 0 && !this.wouldClose(near)) return this.pick(near);
    const { state, said } = setPoint(now, this.tool, at, this.reaches);
    if (said === "full") return this.desk.say("It is closed: a new point goes onto its line.");
    this.history.set(state);
    return this.tell();
  }

  pick(index) {
    this.picked = index;
    this.moving = false;
    this.cursor = shapeOf(this.history.now, this.tool).points[index];
    this.view.reveal(this.cursor);
    this.desk.say(`Point ${index + 1} picked: arrows move it, Enter lets it go, Delete removes it.`);
    this.desk.changed();
  }

  letGo() {
    this.picked = -1;
    this.desk.say("Let go.");
    this.desk.changed();
  }

  /** Moves cross-hair, picked point or brush to a place; one run of moves is one step to undo. */
  moveTo(at) {
    this.cursor = at.map((value) => Math.min(1, Math.max(0, value)));
    if (this.picked >= 0) this.#step(movePoint(this.history.now, this.tool, this.picked, this.cursor));
    else if (this.stroke) this.#paintTo(this.cursor);
    this.desk.changed();
  }

  #step(state) {
    if (this.moving) this.history.amend(state);
    else this.history.set(state);
    this.moving = true;
  }

  /** Lowers the brush: from here on moves paint, or take away. */
  lower(at) {
    const stroke = { shape: "brush", radius: this.radius, points: [at], erase: this.erase, closed: true };
    this.history.set(begin(this.history.now, this.tool, stroke));
    this.stroke = true;
  }

  raise() {
    if (this.stroke) this.tell();
    this.stroke = false;
  }

  /** A stroke that was the first finger of a pinch. */
  undoStroke() {
    this.stroke = false;
    this.history.undo();
  }

  /** A point that was dragged stays picked, so that it can be removed. */
  dropped() {
    this.moving = false;
    this.cursor = null;
    this.tell();
  }

  #paintTo(at) {
    const shape = shapeOf(this.history.now, this.tool);
    if (this.view.distance(shape.points.at(-1), at) < 2) return;
    this.history.amend(withShape(this.history.now, this.tool, { ...shape, points: [...shape.points, at] }));
  }

  close() {
    const next = close(this.history.now, this.tool);
    if (next === this.history.now) return this.desk.say("Nothing to close: an outline needs three points.");
    this.history.set(next);
    return this.tell();
  }

  /** Removes the picked point, the one under the cross-hair, or the newest. */
  remove(only = "newest") {
    const { now } = this.history;
    const shape = shapeOf(now, this.tool);
    if (!shape) return this.desk.say("Nothing to remove.");
    const under = this.cursor ? pointNear(now, this.tool, this.cursor, this.reaches) : -1;
    const index = this.picked >= 0 ? this.picked : only === "newest" ? shape.points.length - 1 : under;
    if (index < 0) return this.desk.say("No point under the cross-hair.");
    this.picked = -1;
    this.history.set(removePoint(now, this.tool, index));
    return this.tell();
  }

  /** Takes the whole mark or region away. */
  clear() {
    const { now } = this.history;
    const { [this.tool.key]: gone, ...rest } = this.tool.kind === "mark" ? now.marks : now.regions;
    if (!gone) return this.desk.say("Nothing to remove.");
    this.picked = -1;
    this.history.set({ ...now, [this.tool.kind === "mark" ? "marks" : "regions"]: rest });
    return this.tell();
  }

  /** Picks the next point, or the one before. */
  along(step) {
    const count = shapeOf(this.history.now, this.tool)?.points.length ?? 0;
    if (!count) return this.desk.say("No point yet.");
    return this.pick((this.picked + step + count + (this.picked < 0 && step < 0 ? 1 : 0)) % count);
  }

  grow(factor) {
    this.radius = Math.min(MOST_RADIUS, Math.max(LEAST_RADIUS, this.radius * factor));
    this.desk.say(`Brush ${Math.round(2 * this.radius * 1000) / 10} % of the width.`);
    this.desk.changed();
  }

  tell() {
    this.moving = false;
    this.desk.say(`${this.tool.title}: ${progress(shapeOf(this.history.now, this.tool))}`);
    this.desk.changed();
  }
}
