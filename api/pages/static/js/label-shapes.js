// What can be done to a shape that is drawn: points set, moved, taken away; closed; strokes. Pure: state in, state out.
// `toScreen` and `reach` say in pixels of the screen what lies near. A tool is {kind: "mark" | "region", key, shape}; of a region the newest shape is the one at hand.

import { between, inside, nearest } from "./label-curve.js";

/** The shape at hand, undefined where there is none. */
export function shapeOf(state, tool) {
  return tool.kind === "mark" ? state.marks[tool.key] : state.regions[tool.key]?.at(-1);
}

/** The state with another shape at hand; null takes it away. */
export function withShape(state, tool, shape) {
  if (tool.kind === "mark") {
    const { [tool.key]: _, ...rest } = state.marks;
    return { ...state, marks: shape ? { ...rest, [tool.key]: shape } : rest };
  }
  const shapes = [...(state.regions[tool.key] ?? []).slice(0, -1), ...(shape ? [shape] : [])];
  const { [tool.key]: _, ...rest } = state.regions;
  return { ...state, regions: shapes.length ? { ...rest, [tool.key]: shapes } : rest };
}

/** A further shape of a region, or the first of a mark. */
export function begin(state, tool, shape) {
  if (tool.kind === "mark") return withShape(state, tool, shape);
  return { ...state, regions: { ...state.regions, [tool.key]: [...(state.regions[tool.key] ?? []), shape] } };
}

/**
 * Sets a point: on the line of a closed shape it goes in between, near the first of an open one it closes it.
 * @returns {{state: object, index: number, said: "set" | "closed" | "between" | "full"}}
 */
export function setPoint(state, tool, at, { reach, toScreen, erase = false }) {
  const shape = shapeOf(state, tool);
  const isNew = !shape || (tool.kind === "region" && (shape.shape === "brush" || shape.closed));
  if (isNew) {
    const kind = tool.kind === "mark" ? tool.shape : "polygon";
    const first = { shape: kind, points: [inside(at)], closed: false, ...(kind === "polygon" ? { erase } : {}) };
    return { state: begin(state, tool, first), index: 0, said: "set" };
  }
  const { points } = shape;
  if (shape.closed) {
    const index = between(points.map(toScreen), shape, toScreen(at), reach);
    if (index < 0) return { state, index: -1, said: "full" };
    const more = [...points.slice(0, index), inside(at), ...points.slice(index)];
    return { state: withShape(state, tool, { ...shape, points: more }), index, said: "between" };
  }
  if (shape.shape !== "line" && points.length > 2 && nearest([toScreen(points[0])], toScreen(at), reach) === 0) {
    return { state: close(state, tool), index: -1, said: "closed" };
  }
  const index = points.length;
  return { state: withShape(state, tool, { ...shape, points: [...points, inside(at)] }), index, said: "set" };
}

/** Closes an outline; a line has ends, and fewer than three points enclose nothing. */
export function close(state, tool) {
  const shape = shapeOf(state, tool);
  if (!shape || shape.closed || shape.shape === "line" || shape.shape === "brush" || shape.points.length < 3) return state;
  return withShape(state, tool, { ...shape, closed: true });
}

export function movePoint(state, tool, index, to) {
  const shape = shapeOf(state, tool);
  const points = shape.points.map((point, place) => (place === index ? inside(to) : point));
  return withShape(state, tool, { ...shape, points });
}

/** Without a point; without the shape when it was the last. A closed shape with two points left opens. */
export function removePoint(state, tool, index) {
  const shape = shapeOf(state, tool);
  if (!shape) return state;
  const points = shape.points.filter((_, place) => place !== index);
  if (points.length === shape.points.length) return state;
  const closed = shape.closed && points.length > 2;
  return withShape(state, tool, points.length && shape.shape !== "brush" ? { ...shape, points, closed } : null);
}

/** Index of the point of the shape at hand that lies near, -1 for none. */
export function pointNear(state, tool, at, { reach, toScreen }) {
  const shape = shapeOf(state, tool);
  return !shape || shape.shape === "brush" ? -1 : nearest(shape.points.map(toScreen), toScreen(at), reach);
}

/** How far a shape has come, in words. */
export function progress(shape) {
  if (!shape) return "nothing drawn";
  const { length } = shape.points;
  if (shape.shape === "brush") return shape.erase ? "stroke taken away" : "stroke";
  const count = `${length} ${length === 1 ? "point" : "points"}`;
  return shape.shape === "line" ? count : `${count}, ${shape.closed ? "closed" : "open"}`;
}
