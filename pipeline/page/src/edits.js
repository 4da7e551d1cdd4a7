// What is done to blocks: each is one change of the drawing, so that one undo takes it back.
import { ask, shownOnly } from "./server.js";
import { moved, toMap } from "./shapes.js";
import { question, told, trouble } from "./told.js";
import { escaped } from "./words.js";

const COPY_SHIFT_PX = 24;
// What buttons and keys may ask for by name.
const BY_NAME = new Set(["accept", "copy", "join", "read", "remove", "show", "snap"]);

export class Edits {
  #held = false;
  #heldUsed = false;

  // `page` gives the kind to draw as, and shows what changes.
  constructor(page, { setup, die, drawing, look, hand }) {
    Object.assign(this, { page, setup, die, drawing, look, hand });
    hand.addEventListener("drawn", ({ detail }) => this.#drawn(detail));
    hand.addEventListener("reshaped", () => this.#snapIfHeld());
  }

  do(what) {
    const { feature, chosen } = this.hand;
    if (feature && BY_NAME.has(what)) this[what](feature, chosen);
  }

  remove(_, chosen) {
    this.hand.choose(null);
    this.drawing.change((features) => features.toSpliced(chosen, 1));
  }

  copy(feature) {
    const shift = COPY_SHIFT_PX * this.die.view.getResolution();
    const name = this.#freeName(feature.properties.name.replace(/ \d+$/, ""));
    const copy = { ...feature, geometry: moved(feature.geometry, shift, shift), properties: { ...feature.properties, name } };
    delete copy.id;
    this.drawing.change((features) => [...features, copy]);
    this.hand.choose(this.drawing.features.length - 1);
  }

  accept(feature, chosen) {
    const { proposed: _, confidence: __, ...properties } = feature.properties;
    this.drawing.change((features) => features.with(chosen, { ...feature, properties }));
  }

  show(feature) {
    this.die.view.fit(toMap(feature.geometry).getExtent(), { padding: [80, 80, 80, 80], maxZoom: 40, duration: 150 });
  }

  change(properties) {
    const { feature, chosen } = this.hand;
    this.drawing.change((features) => features.with(chosen, { ...feature, properties: { ...feature.properties, ...properties } }));
  }

  async read(feature, chosen) {
    const { details } = this.page;
    if (details.get(feature)?.waiting) return;
    details.set(feature, { waiting: true });
    this.page.one();
    try {
      details.set(feature, await ask("POST", "details", { document: this.drawing.document, index: chosen }));
    } catch (error) {
      details.set(feature, { block: null, warnings: [error.message] });
    }
    if (this.hand.feature === feature) this.page.one();
  }

  // The corners of the chosen outline, found on the picture by the server.
  async snap() {
    const { feature, chosen } = this.hand;
    if (!feature?.geometry.type.endsWith("Polygon") || shownOnly) return;
    told("looking for its edges …");
    try {
      const found = await ask("POST", "snap", { document: this.drawing.document, index: chosen });
      if (this.hand.feature !== feature) return;
      if (found.feature) this.drawing.change((features) => features.with(chosen, found.feature));
      told(found.text);
    } catch (error) {
      trouble(error.message);
    }
  }

  // While its key is held, what is drawn or dragged snaps at once; a key that was only pressed snaps as it is let go.
  hold() {
    if (!this.#held) this.#heldUsed = false;
    this.#held = true;
  }

  release() {
    if (this.#held && !this.#heldUsed) this.snap();
    this.#held = false;
  }

  #snapIfHeld() {
    if (!this.#held) return;
    this.#heldUsed = true;
    this.snap();
  }

  join(_, chosen) {
    const others = this.drawing.features
      .map((feature, index) => ({ feature, index }))
      .filter(({ feature, index }) => index !== chosen && feature.geometry.type.endsWith("Polygon") && feature.properties.kind !== "die");
    question(
      "Join with",
      `<label>Block <select name="other">${others.map(({ feature, index }) => `<option value="${index}">${escaped(feature.properties.name)}</option>`).join("")}</select></label>`,
      "Join",
      async (given) => {
        const other = Number(given.get("other"));
        const { geometries } = await ask("POST", "combine", { document: this.drawing.document, indices: [chosen, other], how: "join" });
        this.hand.choose(null);
        this.drawing.change((features) => features.with(chosen, { ...features[chosen], geometry: geometries[0] }).toSpliced(other, 1));
        this.hand.choose(other < chosen ? chosen - 1 : chosen);
      },
    );
  }

  #drawn(geometry) {
    const { act } = this.hand;
    if (act === "known") return this.#known(geometry);
    if (act === "hole" || act === "cut") return this.#within(act, geometry);
    const kind = act === "mark" ? "other" : this.page.kind;
    const single = kind === "die";
    const name = single ? "Die" : this.#freeName(this.look.of(kind).label);
    this.drawing.change((features) => [...features, { type: "Feature", properties: { name, kind }, geometry }]);
    if (single) this.page.kindOf("logic");
    this.hand.choose(this.drawing.features.length - 1);
    this.#snapIfHeld();
  }

  async #within(act, geometry) {
    const { feature, chosen } = this.hand;
    this.hand.doing("look");
    if (!feature?.geometry.type.endsWith("Polygon")) return trouble("Choose a block first, then draw its hole or cut.");
    const helper = { type: "Feature", properties: { name: act, kind: act === "cut" ? "trace" : "other" }, geometry };
    const document = { ...this.drawing.document, features: [...this.drawing.features, helper] };
    try {
      const how = act === "cut" ? "cut" : "take_out";
      const { geometries } = await ask("POST", "combine", { document, indices: [chosen, document.features.length - 1], how });
      const [first, ...others] = geometries;
      const label = feature.properties.name.replace(/ \d+$/, "");
      const pieces = others.map((piece, k) => ({ ...feature, geometry: piece, properties: { ...feature.properties, name: this.#freeName(label, k) } }));
      this.drawing.change((features) => [...features.with(chosen, { ...feature, geometry: first }), ...pieces]);
      this.page.one();
    } catch (error) {
      trouble(error.message);
    }
  }

  #known(geometry) {
    this.hand.doing("look");
    question(
      "A known length",
      `<p>How long is what you drew along? A micrometre picture is far better: this rests on two hand-set ends.</p>
       <label>Length in µm <input name="length" type="number" min="0" step="any" required></label>
       <label>Its own uncertainty in µm (one standard deviation) <input name="u" type="number" min="0" step="any" value="0" required></label>`,
      "Use as scale",
      async (given) => {
        const found = await ask("POST", "scale", { line: geometry.coordinates, length_um: Number(given.get("length")), length_um_u: Number(given.get("u")) });
        this.setup.scale = found.scale;
        this.look.umPerPx = found.scale.um_per_px_x;
        this.die.redrawBar();
        this.hand.redraw();
        told(found.text);
        this.page.measure();
      },
    );
  }

  #freeName(label, more = 0) {
    const names = new Set(this.drawing.features.map(({ properties }) => properties.name));
    let number = 1;
    for (let skipped = 0; ; number++) if (!names.has(`${label} ${number}`) && skipped++ === more) return `${label} ${number}`;
  }
}
