// The picture itself: tiles by the IIIF Image API, a second picture beside it, brightness, scale bar, magnifier.
import OlMap from "ol/Map.js";
import View from "ol/View.js";
import { defaults as usual } from "ol/interaction/defaults.js";
import TileLayer from "ol/layer/Tile.js";
import Projection from "ol/proj/Projection.js";
import IIIF from "ol/source/IIIF.js";
import IIIFInfo from "ol/format/IIIFInfo.js";
import { getRenderPixel } from "ol/render.js";
import { ask } from "./server.js";
import { roundLength } from "./words.js";

const BAR_MOST_PX = 220;
const LENS_TIMES = 4;

export class Die {
  constructor(setup, information) {
    this.setup = setup;
    this.tones = setup.pictures.map(({ tone }) => ({ ...tone }));
    this.informations = new Map([[0, information]]);
    const [{ width_px: width, height_px: height }] = setup.pictures;
    this.extent = [0, -height, width, 0];
    const projection = new Projection({ code: "mosaic", units: "pixels", extent: this.extent });
    this.layers = [0, 1].map(() => new TileLayer({ extent: this.extent, preload: 0 }));
    this.view = new View({
      projection,
      extent: grown(this.extent, 0.5),
      showFullExtent: true,
      constrainRotation: true,
      enableRotation: false,
      minResolution: 1 / 16,
      smoothResolutionConstraint: false,
    });
    this.map = new OlMap({
      target: "die",
      layers: this.layers,
      view: this.view,
      controls: [],
      interactions: usual({ altShiftDragRotate: false, pinchRotate: false, keyboard: false, doubleClickZoom: false }),
      keyboardEventTarget: document,
    });
    this.dividedAt = 0.5;
    this.#divide();
    this.#bar();
    this.#lens();
    this.whole();
  }

  whole() {
    this.view.fit(this.extent, { padding: [30, 30, 60, 30], constrainResolution: false });
  }

  async show(layer, picture) {
    const shown = this.layers[layer];
    if (picture === null) {
      shown.setSource(null);
      return;
    }
    const usualTone = this.setup.pictures[picture].tone;
    const { low, high, gamma } = this.tones[picture];
    const same = low === usualTone.low && high === usualTone.high && gamma === usualTone.gamma;
    const id = same ? `${picture}` : `${picture}@${low}-${high}-${gamma}`;
    if (!this.informations.has(picture)) this.informations.set(picture, await ask("GET", `iiif/${picture}/info.json`));
    const information = this.informations.get(picture);
    const options = new IIIFInfo({ ...information, id: new URL(`iiif/${id}`, location.href).href }).getTileSourceOptions();
    options.projection = this.view.getProjection();
    options.zDirection = -1;
    options.transition = 0;
    shown.setSource(new IIIF(options));
  }

  get isDivided() {
    return this.layers[1].getSource() !== null;
  }

  divideAt(share) {
    this.dividedAt = share;
    this.map.render();
  }

  #divide() {
    const layer = this.layers[1];
    layer.on("prerender", (event) => {
      const [width, height] = this.map.getSize();
      const left = width * this.dividedAt;
      const pen = event.context;
      const at = [
        [left, 0],
        [width, 0],
        [width, height],
        [left, height],
      ].map((pixel) => getRenderPixel(event, pixel));
      pen.save();
      pen.beginPath();
      at.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
      pen.closePath();
      pen.clip();
    });
    layer.on("postrender", (event) => event.context.restore());
  }

  #bar() {
    const bar = document.querySelector("#bar");
    const draw = () => {
      const umPerPx = this.setup.scale?.um_per_px_x;
      const perScreen = this.view.getResolution() * (umPerPx ?? 1);
      const length = roundLength(BAR_MOST_PX * perScreen);
      bar.querySelector("span").style.width = `${length / perScreen}px`;
      const unit = umPerPx ? "µm" : "px";
      const text = umPerPx && length >= 1000 ? `${length / 1000} mm` : `${length} ${unit}`;
      bar.querySelector("b").textContent = umPerPx ? text : `${text} (no scale)`;
      bar.setAttribute("aria-label", `Scale bar: ${text}`);
      bar.dataset.um = umPerPx ? length : "";
    };
    this.redrawBar = draw;
    this.view.on("change:resolution", draw);
    draw();
  }

  #lens() {
    const lens = document.querySelector("#lens");
    const pen = lens.getContext("2d");
    this.lensOn = false;
    this.pointer = null;
    const draw = () => {
      const canvas = this.map.getViewport().querySelector("canvas");
      lens.hidden = !(this.lensOn && this.pointer && canvas);
      if (lens.hidden) return;
      const [x, y] = this.pointer;
      const ratio = canvas.width / canvas.clientWidth;
      const part = (lens.width / LENS_TIMES) * ratio;
      pen.imageSmoothingEnabled = false;
      pen.fillStyle = "#0b0e13";
      pen.fillRect(0, 0, lens.width, lens.height);
      pen.drawImage(canvas, x * ratio - part / 2, y * ratio - part / 2, part, part, 0, 0, lens.width, lens.height);
      const middle = lens.width / 2;
      pen.strokeStyle = "#f5f7fa";
      pen.beginPath();
      pen.moveTo(middle, middle - 14);
      pen.lineTo(middle, middle + 14);
      pen.moveTo(middle - 14, middle);
      pen.lineTo(middle + 14, middle);
      pen.stroke();
      const [width, height] = this.map.getSize();
      const gap = 26;
      lens.style.left = `${x + gap + lens.width > width ? x - gap - lens.width : x + gap}px`;
      lens.style.top = `${y + gap + lens.height > height ? y - gap - lens.height : y + gap}px`;
    };
    this.map.on("postrender", draw);
    this.map.getViewport().addEventListener("pointermove", (event) => {
      this.pointer = this.map.getEventPixel(event);
      draw();
    });
    this.map.getViewport().addEventListener("pointerleave", () => {
      this.pointer = null;
      draw();
    });
    this.redrawLens = draw;
  }
}

function grown([x0, y0, x1, y1], share) {
  const across = (x1 - x0) * share;
  const down = (y1 - y0) * share;
  return [x0 - across, y0 - down, x1 + across, y1 + down];
}
