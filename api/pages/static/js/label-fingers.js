// Fingers, mouse and stylus on the canvas: a tap sets a point or picks one, a drag moves a point, paints or moves the
// picture, two fingers pinch, a wheel zooms.

const STILL = 6; // screen pixels within which a press is a tap
const REACH = { touch: 24, pen: 14, mouse: 10 };

/**
 * @param {HTMLCanvasElement} canvas
 * @param {import("./label-pen.js").Pen} pen
 */
export function fingers(canvas, pen) {
  const { view } = pen;
  const down = new Map();
  let doing = null; // "tap", "pan", "point", "stroke" or "pinch"

  const place = (event) => {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };

  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    down.set(event.pointerId, { at: place(event), from: place(event) });
    if (down.size === 2) return pinch();
    pen.reach = REACH[event.pointerType] ?? REACH.mouse;
    return (doing = begin(view.toPicture(place(event)), event));
  });

  function begin(at, { button, shiftKey }) {
    if (!pen.tool || button === 1 || shiftKey) return "pan";
    if (pen.paints) {
      pen.lower(at);
      return "stroke";
    }
    pen.picked = -1;
    pen.cursor = null;
    const near = pen.near(at);
    if (near >= 0 && !pen.wouldClose(near)) {
      pen.pick(near);
      return "point";
    }
    return "tap";
  }

  function pinch() {
    if (doing === "stroke") pen.undoStroke();
    if (doing === "point") pen.letGo();
    doing = "pinch";
  }

  canvas.addEventListener("pointermove", (event) => {
    const at = place(event);
    const held = down.get(event.pointerId);
    if (!held) {
      if (pen.paints && event.pointerType !== "touch") hover(at);
      return;
    }
    const before = [...down.values()].map((one) => one.at);
    const [dx, dy] = [at[0] - held.at[0], at[1] - held.at[1]];
    held.at = at;
    if (doing === "tap" && Math.hypot(at[0] - held.from[0], at[1] - held.from[1]) > STILL) doing = "pan";
    if (doing === "pan") view.moveBy(dx, dy);
    else if (doing === "point" || doing === "stroke") pen.moveTo(view.toPicture(at));
    else if (doing === "pinch" && down.size === 2) spread(before);
    pen.desk.changed();
  });

  function hover(at) {
    pen.cursor = view.toPicture(at);
    pen.desk.changed();
  }

  function spread(before) {
    const now = [...down.values()].map((one) => one.at);
    const middle = ([a, b]) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    const wide = ([a, b]) => Math.max(1, Math.hypot(a[0] - b[0], a[1] - b[1]));
    const [from, to] = [middle(before), middle(now)];
    view.moveBy(to[0] - from[0], to[1] - from[1]);
    view.zoomBy(wide(now) / wide(before), to);
  }

  function up(event) {
    const held = down.get(event.pointerId);
    down.delete(event.pointerId);
    if (!held) return;
    if (event.type === "pointerup" && doing === "tap") pen.press(view.toPicture(held.at));
    if (doing === "stroke") pen.raise();
    if (doing === "point") pen.dropped();
    if (!down.size || doing !== "pinch") doing = null;
  }
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);

  canvas.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      view.zoomBy(Math.exp(-event.deltaY / 400), place(event));
      pen.desk.changed();
    },
    { passive: false },
  );
}
