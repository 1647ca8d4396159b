// Lines through points, in pixels: the closed outline as the service will take it (arcs that meet without a bend, but for
// corners), and what lies near.

const CORNER = (50 * Math.PI) / 180; // an outline that turns more than this at a point has a corner there
const SAMPLES = 8;

const wrapped = (angle) => angle - 2 * Math.PI * Math.round(angle / (2 * Math.PI));
const far = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);

/**
 * Pieces of a line through points: {from, to, first, second}, the last two the handles of a cubic.
 * A closed outline curves as `wearvision.labels.drawn.smooth_outline` does; all else runs straight.
 */
export function pieces(points, { shape, closed }) {
  if (shape === "outline" && closed && points.length > 2) return curved(points);
  const count = closed && shape !== "line" ? points.length : points.length - 1;
  return Array.from({ length: Math.max(0, count) }, (_, k) => {
    const [from, to] = [points[k], points[(k + 1) % points.length]];
    return { from, to, first: from, second: to };
  });
}

function curved(points) {
  const n = points.length;
  const after = (k) => (k + 1) % n;
  const before = (k) => (k - 1 + n) % n;
  const length = points.map((point, k) => far(point, points[after(k)]) || 1e-9);
  const course = points.map((point, k) => Math.atan2(points[after(k)][1] - point[1], points[after(k)][0] - point[0]));
  const turn = course.map((angle, k) => wrapped(angle - course[before(k)]));
  const isCorner = turn.map((angle) => Math.abs(angle) > CORNER);
  const tangent = course.map((angle, k) => angle - (turn[k] * length[k]) / (length[k] + length[before(k)]));
  return points.map((from, k) => {
    const to = points[after(k)];
    const leanOut = isCorner[k] ? null : wrapped(tangent[k] - course[k]);
    const leanIn = isCorner[after(k)] ? null : wrapped(tangent[after(k)] - course[k]);
    const out = leanOut ?? -(leanIn ?? 0);
    const back = leanIn ?? -out;
    const handle = length[k] / (3 * Math.cos(wrapped(back - out) / 4) ** 2);
    const on = ([x, y], angle, by) => [x + by * Math.cos(angle), y + by * Math.sin(angle)];
    return { from, to, first: on(from, course[k] + out, handle), second: on(to, course[k] + back, -handle) };
  });
}

/** Index of the nearest point within `reach`, -1 for none. */
export function nearest(points, at, reach) {
  const distances = points.map((point) => far(point, at));
  const least = Math.min(...distances);
  return least <= reach ? distances.indexOf(least) : -1;
}

/** Where a point on the line would go in: the index before which it comes, -1 where no piece is near. */
export function between(points, shape, at, reach) {
  let [best, found] = [reach, -1];
  pieces(points, shape).forEach((piece, index) => {
    for (let step = 0; step < SAMPLES; step++) {
      const distance = toLine(on(piece, step / SAMPLES), on(piece, (step + 1) / SAMPLES), at);
      if (distance <= best) [best, found] = [distance, index + 1];
    }
  });
  return found;
}

function on({ from, first, second, to }, t) {
  const part = (k) =>
    (1 - t) ** 3 * from[k] + 3 * (1 - t) ** 2 * t * first[k] + 3 * (1 - t) * t ** 2 * second[k] + t ** 3 * to[k];
  return [part(0), part(1)];
}

function toLine(a, b, at) {
  const long2 = (b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2 || 1e-12;
  const t = ((at[0] - a[0]) * (b[0] - a[0]) + (at[1] - a[1]) * (b[1] - a[1])) / long2;
  const held = Math.min(1, Math.max(0, t));
  return far([a[0] + held * (b[0] - a[0]), a[1] + held * (b[1] - a[1])], at);
}

export const inside = ([x, y]) => [Math.min(1, Math.max(0, x)), Math.min(1, Math.max(0, y))];

/** To a hundred-thousandth of the picture: finer than a pixel of any photo. */
export const rounded = ([x, y]) => [Math.round(x * 1e5) / 1e5, Math.round(y * 1e5) / 1e5];
