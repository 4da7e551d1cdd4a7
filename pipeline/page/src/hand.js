// What the hand does: draw, reshape, move. Everything works with the keys alone too: they move an aim on the picture.
import { Collection } from "ol";
import Feature from "ol/Feature.js";
import { Polygon } from "ol/geom.js";
import Draw, { createBox, createRegularPolygon } from "ol/interaction/Draw.js";
import Modify from "ol/interaction/Modify.js";
import Snap from "ol/interaction/Snap.js";
import Translate from "ol/interaction/Translate.js";
import VectorLayer from "ol/layer/Vector.js";
import VectorImageLayer from "ol/layer/VectorImage.js";
import VectorSource from "ol/source/Vector.js";
import { altKeyOnly, never, primaryAction, singleClick } from "ol/events/condition.js";
import { shownOnly } from "./server.js";
import { corners, evenSided, moved, placeOf, rectangle, toDrawing, toMap, withCorner } from "./shapes.js";

export const ACTS = {
  look: { label: "Nothing", key: "Escape", hint: "Click a block to choose it; drag its corners; drag it with Alt held." },
  corners: { label: "Corners", key: "1", type: "Polygon", hint: "Click corner after corner; double-click or Enter ends." },
  box: { label: "Box", key: "2", type: "Circle", hint: "Click two opposite corners." },
  even: { label: "Even sides", key: "3", type: "Circle", hint: "Click the centre, then one corner." },
  line: { label: "Line", key: "4", type: "LineString", hint: "Click point after point; double-click or Enter ends." },
  mark: { label: "Mark", key: "5", type: "Point", hint: "Click the place." },
  hole: { label: "Hole", key: "6", type: "Polygon", hint: "Outline what is to be taken out of the chosen block." },
  cut: { label: "Cut", key: "7", type: "LineString", hint: "Draw a line across the chosen block, from outside to outside." },
  known: { label: "Known length", key: "8", type: "LineString", hint: "Draw along something whose length you know." },
};
const SNAP_PX = 9;
const AIM_STEP_PX = 12;

export class Hand extends EventTarget {
  constructor(die, drawing, look) {
    super();
    this.die = die;
    this.drawing = drawing;
    this.look = look;
    this.act = "look";
    this.chosen = null;
    this.corner = null;
    this.aim = null;
    this.aimed = [];
    this.sides = 8;
    // Counts what the hand begins and ends, so that an answer about an earlier shape can be told from one about this.
    this.stroke = 0;
    this.source = new VectorSource({ wrapX: false });
    // All blocks in one picture that is moved while the view moves; the chosen one apart, drawn anew as it changes.
    this.layer = new VectorImageLayer({
      source: this.source,
      style: (feature, resolution) => (feature.get("index") === this.chosen ? [] : this.#style(feature, resolution)),
      declutter: "names",
      imageRatio: 1.6,
    });
    this.top = new VectorLayer({
      source: new VectorSource({ wrapX: false }),
      style: (feature, resolution) => this.#style(feature, resolution),
      updateWhileAnimating: true,
      updateWhileInteracting: true,
    });
    this.found = new VectorLayer({ source: new VectorSource(), style: null, zIndex: 5 });
    for (const layer of [this.layer, this.top, this.found]) die.map.addLayer(layer);
    this.picked = new Collection();
    this.modify = new Modify({
      features: this.picked,
      pixelTolerance: 10,
      deleteCondition: (event) => event.originalEvent.shiftKey && singleClick(event),
    });
    this.translate = new Translate({ features: this.picked, condition: (event) => altKeyOnly(event) && primaryAction(event) });
    this.snap = new Snap({ source: this.source, pixelTolerance: SNAP_PX, intersection: true });
    for (const interaction of [this.translate, this.modify]) die.map.addInteraction(interaction);
    die.map.addInteraction(this.snap);
    this.modify.on("modifystart", () => this.#lens(true));
    this.modify.on("modifyend", () => this.#take());
    this.translate.on("translateend", () => this.#take());
    for (const event of ["modifystart", "translatestart"]) {
      (event === "modifystart" ? this.modify : this.translate).on(event, () => {
        const feature = this.picked.item(0);
        this.stroke += 1;
        this.watch = feature.getGeometry().on("change", () => this.#live(feature.getGeometry()));
      });
    }
    die.map.on("singleclick", (event) => this.#click(event));
    drawing.addEventListener("changed", () => this.refresh());
  }

  // The features of the map from the drawing; `chosen` is an index into it.
  refresh() {
    const known = new Map(this.source.getFeatures().map((feature) => [feature.get("raw"), feature]));
    const wanted = this.drawing.features.map((raw, index) => {
      const feature = known.get(raw) ?? new Feature({ geometry: toMap(raw.geometry) });
      known.delete(raw);
      feature.setProperties({ raw, index, properties: raw.properties }, true);
      return feature;
    });
    this.source.clear(true);
    this.source.addFeatures(wanted);
    if (this.chosen !== null && this.chosen >= wanted.length) this.chosen = null;
    this.#pick();
  }

  redraw() {
    this.layer.changed();
    this.top.changed();
  }

  choose(index) {
    this.chosen = index;
    this.corner = null;
    this.#pick();
    this.dispatchEvent(new Event("chosen"));
  }

  #pick() {
    this.picked.clear();
    const feature = this.chosen === null ? null : this.source.getFeatures().find((one) => one.get("index") === this.chosen);
    this.top.getSource().clear(true);
    if (feature) this.top.getSource().addFeature(feature);
    if (feature && this.act === "look" && !shownOnly) this.picked.push(feature);
    this.redraw();
  }

  get feature() {
    return this.chosen === null ? null : this.drawing.features[this.chosen];
  }

  doing(act) {
    if (shownOnly) return;
    if (this.draw) {
      this.die.map.removeInteraction(this.draw);
      this.draw = null;
    }
    this.act = act;
    this.aimed = [];
    const { type } = ACTS[act];
    this.modify.setActive(!type);
    this.translate.setActive(!type);
    this.#pick();
    this.#lens(Boolean(type));
    if (type) {
      const special = { box: createBox(), even: createRegularPolygon(this.sides) }[act];
      this.draw = new Draw({ type, geometryFunction: special, stopClick: true, freehandCondition: never, style: this.#sketch() });
      this.draw.on("drawstart", (event) => {
        this.stroke += 1;
        this.sketch = event.feature;
        event.feature.getGeometry().on("change", () => this.#live(event.feature.getGeometry()));
      });
      this.draw.on("drawend", (event) => {
        this.stroke += 1;
        this.sketch = null;
        this.dispatchEvent(new CustomEvent("drawn", { detail: toDrawing(event.feature.getGeometry()) }));
      });
      this.draw.on("drawabort", () => (this.sketch = null));
      this.die.map.addInteraction(this.draw);
      // Snapping must come after what it snaps.
      this.die.map.removeInteraction(this.snap);
      this.die.map.addInteraction(this.snap);
    } else {
      this.showAim(null);
    }
    this.dispatchEvent(new Event("act"));
  }

  get isDrawing() {
    return Boolean(this.sketch) || this.aimed.length > 0;
  }

  stop() {
    if (this.isDrawing) {
      this.draw?.abortDrawing();
      this.aimed = [];
    } else if (this.act !== "look") this.doing("look");
    else this.choose(null);
  }

  takeBack() {
    if (!this.isDrawing) return false;
    this.aimed.pop();
    if (this.sketch) this.draw.removeLastPoint();
    return true;
  }

  finish() {
    if (this.sketch && ["corners", "line", "hole", "cut", "known"].includes(this.act)) this.draw.finishDrawing();
  }

  // The aim of the keys, in screen pixels; null hides it.
  showAim(pixel) {
    this.aim = pixel;
    const aim = document.querySelector("#aim");
    aim.hidden = !pixel;
    if (pixel) {
      aim.style.left = `${pixel[0]}px`;
      aim.style.top = `${pixel[1]}px`;
      this.die.pointer = pixel;
      this.die.redrawLens();
    }
  }

  moveAim(x, y, fine) {
    const [width, height] = this.die.map.getSize();
    const step = fine ? 1 : AIM_STEP_PX;
    const from = this.aim ?? [width / 2, height / 2];
    const to = [from[0] + x * step, from[1] + y * step];
    const inside = [Math.min(Math.max(to[0], 40), width - 40), Math.min(Math.max(to[1], 40), height - 40)];
    const over = [to[0] - inside[0], to[1] - inside[1]];
    if (over[0] || over[1]) this.pan(over[0], over[1]);
    this.showAim(inside);
  }

  pan(x, y) {
    const centre = this.die.view.getCenter();
    const resolution = this.die.view.getResolution();
    this.die.view.setCenter([centre[0] + x * resolution, centre[1] - y * resolution]);
  }

  place() {
    const [width, height] = this.die.map.getSize();
    const at = this.die.map.getCoordinateFromPixel(this.aim ?? [width / 2, height / 2]);
    if (["corners", "line", "hole", "cut", "known"].includes(this.act)) {
      this.draw.appendCoordinates([at]);
      return;
    }
    this.aimed.push(placeOf(at));
    const [a, b] = this.aimed;
    const give = (geometry) => {
      this.aimed = [];
      this.dispatchEvent(new CustomEvent("drawn", { detail: geometry }));
    };
    if (this.act === "mark") give({ type: "Point", coordinates: a });
    else if (b && this.act === "box") give(exact({ type: "Polygon", coordinates: rectangle(a, b) }));
    else if (b && this.act === "even") give(exact({ type: "Polygon", coordinates: evenSided(a, b, this.sides) }));
  }

  // With a block chosen and nothing being drawn the keys walk over its corners and move them.
  nextCorner(step) {
    if (!this.feature) return;
    const all = corners(this.feature.geometry);
    const now = this.corner === null ? (step > 0 ? -1 : 0) : this.corner;
    this.corner = (now + step + all.length) % all.length;
    const [x, y] = all[this.corner].at;
    const pixel = this.die.map.getPixelFromCoordinate([x, -y]);
    const [width, height] = this.die.map.getSize();
    if (!pixel || pixel[0] < 0 || pixel[1] < 0 || pixel[0] > width || pixel[1] > height) this.die.view.setCenter([x, -y]);
    this.top.changed();
    this.dispatchEvent(new CustomEvent("corner", { detail: { number: this.corner + 1, of: all.length, at: [x, y] } }));
  }

  moveCorner(dx, dy) {
    const all = corners(this.feature.geometry);
    this.#put(withCorner(this.feature.geometry, all[this.corner].path, ([x, y]) => [[x + dx, y + dy]]));
    this.dispatchEvent(new CustomEvent("corner", { detail: { number: this.corner + 1, of: all.length, at: corners(this.feature.geometry)[this.corner].at } }));
  }

  addCorner() {
    const all = corners(this.feature.geometry);
    this.#put(withCorner(this.feature.geometry, all[this.corner].path, (a, b) => [a, [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]]));
  }

  dropCorner() {
    const all = corners(this.feature.geometry);
    this.#put(withCorner(this.feature.geometry, all[this.corner].path, () => []));
    this.corner = Math.min(this.corner, corners(this.feature.geometry).length - 1);
    this.top.changed();
  }

  moveBlock(dx, dy) {
    this.#put(moved(this.feature.geometry, dx, dy));
  }

  #put(geometry) {
    const index = this.chosen;
    this.drawing.change((features) => {
      features[index] = { ...features[index], geometry };
      return features;
    });
  }

  #take() {
    this.#lens(false);
    this.stroke += 1;
    const feature = this.picked.item(0);
    this.#put(toDrawing(feature.getGeometry()));
    this.dispatchEvent(new Event("reshaped"));
  }

  #live(geometry) {
    this.dispatchEvent(new CustomEvent("live", { detail: { geometry: toDrawing(geometry), stroke: this.stroke } }));
  }

  #click(event) {
    if (this.act !== "look") return;
    const hits = [];
    this.die.map.forEachFeatureAtPixel(event.pixel, (feature) => void hits.push(feature), {
      layerFilter: (layer) => layer === this.layer || layer === this.top,
      hitTolerance: 6,
    });
    const size = (feature) => (feature.getGeometry() instanceof Polygon ? feature.getGeometry().getArea() : 0);
    const inside = hits.filter((feature) => feature.get("properties").kind !== "die" || hits.length === 1);
    inside.sort((a, b) => size(a) - size(b));
    this.choose(inside.length ? inside[0].get("index") : null);
  }

  #lens(on) {
    this.die.lensOn = on;
    this.die.redrawLens();
  }

  #style(feature, resolution) {
    const chosen = feature.get("index") === this.chosen;
    const at = chosen && this.corner !== null ? corners(this.feature.geometry)[this.corner]?.at : null;
    return this.look.styles(feature, resolution, chosen, at);
  }

  #sketch() {
    return (feature, resolution) =>
      feature.getGeometry().getType() === "Point"
        ? this.look.styles(withProperties(feature, "other"), resolution, false)
        : this.look.styles(withProperties(feature, this.kind ?? "other"), resolution, true);
  }
}

function withProperties(feature, kind) {
  const copy = new Feature({ geometry: feature.getGeometry() });
  copy.set("properties", { kind, name: "" });
  return copy;
}

function exact(geometry) {
  return toDrawing(toMap(geometry));
}
