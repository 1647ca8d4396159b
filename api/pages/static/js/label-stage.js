// The canvas with the photo: as sharp as the screen is, painted at most once a frame.

import { paint } from "./label-paint.js";
import { View } from "./label-view.js";

export class Stage {
  /**
   * @param {HTMLCanvasElement} canvas
   * @param {() => object} scene What is to be painted, asked for each frame.
   */
  constructor(canvas, scene) {
    Object.assign(this, { canvas, scene, view: new View(), picture: null, waits: false });
    new ResizeObserver(() => this.#resize()).observe(canvas);
  }

  /** Loads a photo and shows it whole. Rejects where it cannot be had. */
  async load(url) {
    this.picture = null;
    this.canvas.dataset.photo = "";
    this.repaint();
    const picture = new Image();
    picture.src = url;
    await picture.decode();
    this.picture = picture;
    this.canvas.dataset.photo = "shown";
    this.view.show(picture.naturalWidth, picture.naturalHeight);
    this.#resize();
  }

  #resize() {
    const { clientWidth, clientHeight } = this.canvas;
    if (!clientWidth) return; // not shown
    this.canvas.width = Math.round(clientWidth * devicePixelRatio);
    this.canvas.height = Math.round(clientHeight * devicePixelRatio);
    this.view.resize(clientWidth, clientHeight);
    this.repaint();
  }

  repaint() {
    if (this.waits) return;
    this.waits = true;
    requestAnimationFrame(() => {
      this.waits = false;
      if (!this.canvas.width) return;
      const brush = this.canvas.getContext("2d");
      brush.setTransform(devicePixelRatio, 0, 0, devicePixelRatio, 0, 0);
      paint(brush, this.view, this.picture, this.scene());
    });
  }
}
