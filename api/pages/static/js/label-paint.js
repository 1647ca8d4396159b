// Paints the photo and what was drawn on it. Nothing is told by colour alone: every mark carries its name, what is being
// drawn shows its points, areas are hatched each in its own direction, and a second person's marks are dashed.

import { pieces } from "./label-curve.js";

const DARK = "#0b1418";
const OWN = "#ffe08a";
const REST = "#9fe3ff";
const PEOPLE = [
  { colour: "#9fe3ff", dash: [] },
  { colour: "#ffb3e1", dash: [9, 6] },
];
const POINT = 5;

/**
 * @param {CanvasRenderingContext2D} brush Scaled to CSS pixels.
 * @param {import("./label-view.js").View} view
 * @param {CanvasImageSource | null} picture
 * @param {object} scene `marks`, `regions` (of the state), `active` {kind, key}, `picked` (index), `cursor`, `hidden`,
 *   `others` (bodies of other people's labels), `titles` (key to name).
 */
export function paint(brush, view, picture, scene) {
  const { width, height } = view.size;
  brush.clearRect(0, 0, width, height);
  if (picture) {
    const [x, y] = view.toScreen([0, 0]);
    brush.imageSmoothingEnabled = view.scale * devicePixelRatio < 3;
    brush.drawImage(picture, x, y, view.picture.width * view.scale, view.picture.height * view.scale);
  }
  if (!scene.hidden) {
    scene.others.forEach((body, person) => others(brush, view, body, person, scene.titles));
    const isActive = (kind, key) => scene.active?.kind === kind && scene.active.key === key;
    Object.entries(scene.regions).forEach(([key, shapes], index) =>
      area(brush, view, shapes, index, isActive("region", key) ? OWN : REST, scene.titles[key]),
    );
    for (const [key, mark] of Object.entries(scene.marks)) {
      const active = isActive("mark", key);
      line(brush, view, mark, { colour: active ? OWN : REST, dash: mark.shape === "line" ? [2, 4] : [] });
      name(brush, view, mark.points[0], scene.titles[key]);
      if (active) points(brush, view, mark.points, scene.picked);
    }
    const open = scene.active?.kind === "region" && scene.regions[scene.active.key]?.at(-1);
    if (open?.shape === "polygon") points(brush, view, open.points, scene.picked);
  }
  if (scene.cursor) cross(brush, view, scene.cursor, scene.radius);
}

function path(view, points, shape) {
  const way = new Path2D();
  way.moveTo(...view.toScreen(points[0]));
  const at = points.map((point) => view.toScreen(point));
  for (const { first, second, to } of pieces(at, shape)) way.bezierCurveTo(...first, ...second, ...to);
  if (shape.closed && shape.shape !== "line") way.closePath();
  return way;
}

function line(brush, view, mark, { colour, dash }) {
  const way = path(view, mark.points, mark);
  brush.lineJoin = brush.lineCap = "round";
  brush.setLineDash([]);
  brush.strokeStyle = DARK;
  brush.lineWidth = 4;
  brush.stroke(way);
  brush.setLineDash(dash);
  brush.strokeStyle = colour;
  brush.lineWidth = 2;
  brush.stroke(way);
  brush.setLineDash([]);
}

function points(brush, view, list, picked) {
  list.forEach((point, index) => {
    const [x, y] = view.toScreen(point);
    brush.beginPath();
    if (index === picked) brush.rect(x - POINT - 2, y - POINT - 2, 2 * POINT + 4, 2 * POINT + 4);
    else brush.arc(x, y, POINT, 0, 7);
    brush.fillStyle = index === picked ? "#fff" : OWN;
    brush.strokeStyle = DARK;
    brush.lineWidth = 2;
    brush.fill();
    brush.stroke();
  });
}

function name(brush, view, at, text) {
  if (!at || !text) return;
  const [x, y] = view.toScreen(at);
  brush.font = "600 13px system-ui, sans-serif";
  brush.lineWidth = 4;
  brush.strokeStyle = DARK;
  brush.fillStyle = "#fff";
  brush.strokeText(text, x + 8, y - 8);
  brush.fillText(text, x + 8, y - 8);
}

/** An area with its parts taken away again, hatched; made apart, so that taking away bares the photo. */
function area(brush, view, shapes, index, colour, title) {
  const sheet = new OffscreenCanvas(brush.canvas.width, brush.canvas.height);
  const on = sheet.getContext("2d");
  on.scale(brush.canvas.width / view.size.width, brush.canvas.height / view.size.height);
  for (const shape of shapes) {
    on.globalCompositeOperation = shape.erase ? "destination-out" : "source-over";
    on.fillStyle = on.strokeStyle = "#000";
    if (shape.shape === "brush") {
      on.lineCap = on.lineJoin = "round";
      on.lineWidth = 2 * shape.radius * view.picture.width * view.scale;
      const list = shape.points.length > 1 ? shape.points : [shape.points[0], shape.points[0]];
      on.stroke(path(view, list, { shape: "line" }));
    } else if (shape.points.length > 2) on.fill(path(view, shape.points, { ...shape, closed: true }));
  }
  on.globalCompositeOperation = "source-in";
  on.fillStyle = hatch(on, index, colour);
  on.fillRect(0, 0, view.size.width, view.size.height);
  brush.drawImage(sheet, 0, 0, view.size.width, view.size.height);
  for (const shape of shapes) {
    if (shape.shape === "polygon") line(brush, view, shape, { colour, dash: shape.erase ? [2, 5] : [6, 3] });
  }
  name(brush, view, shapes[0]?.points[0], title);
}

function hatch(on, index, colour) {
  const tile = new OffscreenCanvas(12, 12);
  const draw = tile.getContext("2d");
  draw.fillStyle = colour;
  draw.globalAlpha = 0.22;
  draw.fillRect(0, 0, 12, 12);
  draw.globalAlpha = 0.9;
  draw.strokeStyle = colour;
  draw.lineWidth = 1.6;
  const ways = [[0, 12, 12, 0], [0, 0, 12, 12], [0, 6, 12, 6], [6, 0, 6, 12]]; // prettier-ignore
  const [x1, y1, x2, y2] = ways[index % ways.length];
  draw.moveTo(x1, y1);
  draw.lineTo(x2, y2);
  draw.stroke();
  return on.createPattern(tile, "repeat");
}

function others(brush, view, body, person, titles) {
  const style = PEOPLE[person % PEOPLE.length];
  for (const [key, mark] of Object.entries(body.marks ?? {})) {
    line(brush, view, { ...mark, closed: mark.shape !== "line" }, style);
    name(brush, view, mark.points[0], `${person + 1}: ${titles[key] ?? key}`);
  }
  for (const [key, shapes] of Object.entries(body.regions ?? {})) {
    const closed = shapes.map((shape) => ({ ...shape, closed: true }));
    area(brush, view, closed, person, style.colour, `${person + 1}: ${titles[key] ?? key}`);
  }
}

function cross(brush, view, cursor, radius) {
  const [x, y] = view.toScreen(cursor);
  for (const [colour, width] of [[DARK, 4], ["#fff", 1.5]]) {
    brush.strokeStyle = colour;
    brush.lineWidth = width;
    brush.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      brush.moveTo(x + 4 * dx, y + 4 * dy);
      brush.lineTo(x + 16 * dx, y + 16 * dy);
    }
    if (radius) {
      const px = radius * view.picture.width * view.scale;
      brush.moveTo(x + px, y);
      brush.arc(x, y, px, 0, 7);
    }
    brush.stroke();
  }
}
