// Keys of the canvas; they work only while it has the focus, so they need no switch (WCAG 2.1.4).

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const FAST = 10;
const PAN = 60;

/**
 * @param {HTMLCanvasElement} canvas
 * @param {import("./label-pen.js").Pen} pen
 * @param {() => void} back Leads from the canvas to the questions.
 */
export function penKeys(canvas, pen, back) {
  const { view } = pen;

  function arrow([dx, dy], fast) {
    if (!pen.tool) {
      view.moveBy(-PAN * dx, -PAN * dy);
      return pen.desk.changed();
    }
    const step = fast ? FAST : 1;
    const [x, y] = view.toScreen(pen.cursor ?? view.middle);
    pen.moveTo(view.toPicture([x + dx * step, y + dy * step]));
    view.reveal(pen.cursor);
    return pen.desk.changed();
  }

  function press() {
    if (!pen.paints) return pen.press(pen.cursor);
    if (pen.stroke) return pen.raise();
    pen.lower(pen.cursor);
    return pen.desk.say("Brush down: arrows paint, Enter lifts it.");
  }

  const drawing = {
    Enter: press,
    " ": press,
    c: () => pen.close(),
    Backspace: () => pen.remove("newest"),
    Delete: () => pen.remove("under"),
    n: () => pen.along(1),
    N: () => pen.along(-1),
    e: () => toggle("erase"),
    b: () => toggle("isBrush"),
    "[": () => pen.grow(1 / 1.25),
    "]": () => pen.grow(1.25),
  };

  function toggle(what) {
    if (pen.tool.kind !== "region") return;
    pen.raise();
    pen[what] = !pen[what];
    const words = { erase: ["Draws.", "Takes away."], isBrush: ["Straight-sided outline.", "Brush."] };
    pen.desk.say(words[what][Number(pen[what])]);
    pen.desk.changed();
  }

  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { key, shiftKey } = event;
    if (key in ARROWS) arrow(ARROWS[key], shiftKey);
    else if (key === "Escape") leave();
    else if (pen.tool && key in drawing) drawing[key]();
    else return;
    event.preventDefault();
  });

  function leave() {
    if (pen.stroke) return pen.raise();
    if (pen.picked >= 0) return pen.letGo();
    pen.leave();
    pen.desk.changed();
    return back();
  }
}
