// Where the picture lies on the canvas: zoom and place, fractions of the picture to pixels of the screen and back.

const MOST = 16; // times the size at which the whole picture is seen

export class View {
  constructor() {
    this.picture = { width: 1, height: 1 };
    this.size = { width: 1, height: 1 };
    this.zoom = 1;
    this.middle = [0.5, 0.5]; // of the picture, in the middle of the canvas
  }

  /** Another picture: seen whole. */
  show(width, height) {
    this.picture = { width, height };
    this.whole();
  }

  resize(width, height) {
    this.size = { width, height };
    this.#hold();
  }

  whole() {
    this.zoom = 1;
    this.middle = [0.5, 0.5];
  }

  /** Screen pixels of one picture pixel. */
  get scale() {
    const { width, height } = this.size;
    return this.zoom * Math.min(width / this.picture.width, height / this.picture.height);
  }

  toScreen([x, y]) {
    const { width, height } = this.picture;
    return [
      this.size.width / 2 + (x - this.middle[0]) * width * this.scale,
      this.size.height / 2 + (y - this.middle[1]) * height * this.scale,
    ];
  }

  toPicture([x, y]) {
    const { width, height } = this.picture;
    return [
      this.middle[0] + (x - this.size.width / 2) / (width * this.scale),
      this.middle[1] + (y - this.size.height / 2) / (height * this.scale),
    ];
  }

  /** Screen pixels between two places of the picture. */
  distance(a, b) {
    return Math.hypot((a[0] - b[0]) * this.picture.width, (a[1] - b[1]) * this.picture.height) * this.scale;
  }

  /** Zooms by a factor; the place under `at` (screen) stays there. */
  zoomBy(factor, at = [this.size.width / 2, this.size.height / 2]) {
    const held = this.toPicture(at);
    this.zoom = Math.min(MOST, Math.max(1, this.zoom * factor));
    const now = this.toScreen(held);
    this.moveBy(at[0] - now[0], at[1] - now[1]);
  }

  /** Moves the picture by screen pixels. */
  moveBy(dx, dy) {
    this.middle = [
      this.middle[0] - dx / (this.picture.width * this.scale),
      this.middle[1] - dy / (this.picture.height * this.scale),
    ];
    this.#hold();
  }

  /** Brings a place into sight, with a margin in screen pixels. */
  reveal(place, margin = 40) {
    const [x, y] = this.toScreen(place);
    const dx = x < margin ? margin - x : Math.min(0, this.size.width - margin - x);
    const dy = y < margin ? margin - y : Math.min(0, this.size.height - margin - y);
    if (dx || dy) this.moveBy(dx, dy);
  }

  /** Keeps the picture in sight: an axis that is seen whole is centred. */
  #hold() {
    const { width, height } = this.picture;
    const shown = [this.size.width / (width * this.scale), this.size.height / (height * this.scale)];
    this.middle = this.middle.map((at, k) =>
      shown[k] >= 1 ? 0.5 : Math.min(1 - shown[k] / 2, Math.max(shown[k] / 2, at)),
    );
  }
}
