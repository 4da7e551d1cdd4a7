// The page: puts picture, drawing, hand, column and keys together.
import Feature from "ol/Feature.js";
import { LineString, Polygon } from "ol/geom.js";
import { Stroke, Style } from "ol/style.js";
import { listAll, numbersOf, showOne } from "./book.js";
import { Die } from "./die.js";
import { Drawing } from "./drawing.js";
import { ACTS, Hand } from "./hand.js";
import { Look } from "./look.js";
import { Refused, ask, shownOnly } from "./server.js";
import { moved, toMap } from "./shapes.js";
import { escaped, lengthOf, plain } from "./words.js";
import "./page.css";
import "ol/ol.css";

const LIVE_EVERY_MS = 120;
const PICTURE_FIRST_MS = 700;
const KEYS = [
  ["1 … 8", "what the hand draws; Escape goes back to nothing"],
  ["Arrow keys", "move the aim; with Shift by one screen pixel. With nothing being drawn they move the picture"],
  ["Space", "put a corner at the aim"],
  ["Enter", "end the outline or line"],
  ["Backspace", "take the last corner back"],
  ["K", "next kind for what is drawn"],
  [", and .", "corner by corner round the chosen block; arrow keys then move it by a pixel, with Shift by a tenth, with Ctrl by ten"],
  ["Insert, Delete", "a corner more, or this one less; Delete with no corner chosen removes the block"],
  ["N, P", "next and previous block"],
  ["+ and −", "nearer, farther"],
  ["0", "the whole die"],
  ["F", "the chosen block fills the view"],
  ["C", "copy the chosen block"],
  ["E", "find the chosen block's edges on the picture; held while you end an outline or a drag, at once for that one"],
  ["R", "read the chosen array or inductor from the picture"],
  ["A", "accept a proposed block"],
  ["Ctrl Z, Ctrl Shift Z", "undo, redo"],
  ["H", "this list"],
];

const at = (selector) => document.querySelector(selector);

async function begin() {
  const [setup, information] = await Promise.all([ask("GET", "setup"), ask("GET", "iiif/0/info.json")]);
  const die = new Die(setup, information);
  const drawing = new Drawing();
  const look = new Look(setup.kinds);
  look.umPerPx = setup.scale?.um_per_px_x ?? null;
  const hand = new Hand(die, drawing, look);
  const page = new Page(setup, die, drawing, look, hand);
  await die.show(0, 0);
  // The picture first: reading a large drawing keeps the server busy.
  const drawn = new Promise((done) => die.map.once("rendercomplete", done));
  drawn.then(() => (document.documentElement.dataset.drawn = "yes"));
  await Promise.race([drawn, new Promise((done) => setTimeout(done, PICTURE_FIRST_MS))]);
  await drawing.load();
  document.documentElement.dataset.ready = "yes";
  window.dieplat = { page, die, drawing, hand };
}

class Page {
  constructor(setup, die, drawing, look, hand) {
    Object.assign(this, { setup, die, drawing, look, hand });
    this.numbers = null;
    this.details = new WeakMap();
    at("#title").textContent = setup.title;
    document.title = `${setup.title} · dieplat`;
    this.#choices();
    this.#shown();
    this.#keys();
    drawing.addEventListener("changed", () => {
      this.list();
      this.one();
      this.measure();
    });
    drawing.addEventListener("state", ({ detail }) => this.#state(detail));
    hand.addEventListener("chosen", () => {
      this.list();
      this.one();
    });
    hand.addEventListener("act", () => this.#acts());
    hand.addEventListener("drawn", ({ detail }) => this.#drawn(detail));
    hand.addEventListener("reshaped", () => this.#heldSnap());
    hand.addEventListener("live", ({ detail }) => this.#live(detail));
    hand.addEventListener("corner", ({ detail }) => this.#told(`corner ${detail.number} of ${detail.of}: ${detail.at.map((v) => v.toFixed(2)).join(", ")} px`));
    addEventListener("beforeunload", (event) => drawing.isSaved || event.preventDefault());
    die.map.on("pointermove", (event) => this.#where(event.coordinate));
  }

  get kind() {
    return at("#kind").value;
  }

  #choices() {
    at("#acts").insertAdjacentHTML(
      "beforeend",
      Object.entries(ACTS)
        .map(([name, act]) => `<label><input type="radio" name="act" value="${name}"><span>${act.label} <kbd>${act.key === "Escape" ? "Esc" : act.key}</kbd></span></label>`)
        .join(""),
    );
    at("#acts").addEventListener("change", (event) => this.hand.doing(event.target.value));
    at("#kind").innerHTML = this.setup.kinds.map(({ kind, label }) => `<option value="${kind}">${label}</option>`).join("");
    at("#kind").value = "logic";
    this.hand.kind = "logic";
    at("#kind").addEventListener("change", () => (this.hand.kind = this.kind));
    at("#sides").addEventListener("change", () => {
      this.hand.sides = Math.min(24, Math.max(3, Number(at("#sides").value) || 8));
      this.hand.doing(this.hand.act);
    });
    at("#undo").addEventListener("click", () => this.drawing.undo());
    at("#redo").addEventListener("click", () => this.drawing.redo());
    at("#help").addEventListener("click", () => this.#help());
    at("#view-out").addEventListener("click", () => this.#viewOut());
    this.#acts();
  }

  #acts() {
    const { act } = this.hand;
    at(`#acts input[value="${act}"]`).checked = true;
    at("#hint").textContent = ACTS[act].hint;
    at("#sides-of").hidden = act !== "even";
    if (act === "line" && !["trace", "conductor"].includes(this.kind)) this.#kindOf("trace");
    if (["corners", "box", "even"].includes(act) && ["trace", "conductor"].includes(this.kind)) this.#kindOf("logic");
  }

  #kindOf(kind) {
    at("#kind").value = kind;
    this.hand.kind = kind;
  }

  #shown() {
    at("#fill").addEventListener("input", () => {
      this.look.strength = Number(at("#fill").value) / 100;
      this.hand.redraw();
    });
    at("#names").addEventListener("change", () => {
      this.look.names = at("#names").checked;
      this.hand.redraw();
    });
    const names = this.setup.pictures.map(({ name }, index) => `<option value="${index}">${escaped(name)}</option>`).join("");
    at("#picture").innerHTML = names;
    at("#beside").innerHTML = `<option value="">nothing</option>${names}`;
    at("#beside-row").hidden = this.setup.pictures.length < 2;
    at("#picture").addEventListener("change", () => {
      this.die.show(0, Number(at("#picture").value));
      this.#toneShown();
    });
    at("#beside").addEventListener("change", async () => {
      const chosen = at("#beside").value;
      await this.die.show(1, chosen === "" ? null : Number(chosen));
      at("#divider").hidden = !this.die.isDivided;
    });
    at("#divide-at").addEventListener("input", () => this.die.divideAt(Number(at("#divide-at").value) / 1000));
    for (const name of ["low", "high", "gamma"]) at(`#${name}`).addEventListener("change", () => this.#tone());
    at("#plain").addEventListener("click", () => {
      const picture = Number(at("#picture").value);
      this.die.tones[picture] = { ...this.setup.pictures[picture].tone };
      this.#toneShown();
      this.die.show(0, picture);
    });
    this.#toneShown();
  }

  #toneShown() {
    const picture = Number(at("#picture").value || 0);
    const { low, high, gamma } = this.die.tones[picture];
    const top = this.setup.pictures[picture].dtype === "uint16" ? 65535 : 255;
    at("#low").value = Math.round((1000 * low) / top);
    at("#high").value = Math.round((1000 * high) / top);
    at("#gamma").value = Math.round(-50 * Math.log2(gamma));
  }

  #tone() {
    const picture = Number(at("#picture").value);
    const top = this.setup.pictures[picture].dtype === "uint16" ? 65535 : 255;
    const low = Math.min(Number(at("#low").value), 998);
    const high = Math.max(Number(at("#high").value), low + 1);
    const gamma = 2 ** (-Number(at("#gamma").value) / 50);
    this.die.tones[picture] = { low: Math.round((low * top) / 1000), high: Math.round((high * top) / 1000), gamma: Number(gamma.toFixed(3)) };
    this.#toneShown();
    this.die.show(0, picture);
  }

  list() {
    listAll(at("#all"), this.drawing, this.numbers, this.look, this.hand.chosen, {
      choose: (index) => this.hand.choose(index),
      hide: (kind, hidden) => {
        this.look.hidden[hidden ? "add" : "delete"](kind);
        this.hand.redraw();
      },
    });
    at("#undo").disabled = !this.drawing.canUndo;
    at("#redo").disabled = !this.drawing.canRedo;
  }

  one() {
    const { feature, chosen } = this.hand;
    const details = feature ? this.details.get(feature) : null;
    showOne(at("#one"), feature, this.numbers?.blocks?.[chosen], details, this.look, this.look.umPerPx);
    this.#overlay(details);
    if (!feature) return;
    if (shownOnly) at("#one").querySelectorAll("input, select").forEach((field) => (field.disabled = true));
    const change = (properties) =>
      this.drawing.change((features) => {
        features[chosen] = { ...feature, properties: { ...feature.properties, ...properties } };
        return features;
      });
    at("#one-name").addEventListener("change", (event) => event.target.value.trim() && change({ name: event.target.value.trim() }));
    at("#one-kind").addEventListener("change", (event) => change({ kind: event.target.value }));
    at("#one-notes").addEventListener("change", (event) => change({ notes: event.target.value }));
    at("#one-width")?.addEventListener("change", (event) => change({ width_um: Number(event.target.value) || undefined }));
    at("#one").querySelectorAll("[data-do]").forEach((button) => button.addEventListener("click", () => this.do(button.dataset.do)));
  }

  do(what) {
    const { feature, chosen } = this.hand;
    if (!feature) return;
    if (what === "remove") {
      this.hand.choose(null);
      this.drawing.change((features) => features.toSpliced(chosen, 1));
    } else if (what === "copy") {
      const shift = 24 * this.die.view.getResolution();
      const name = this.#freeName(feature.properties.name.replace(/ \d+$/, ""));
      const copy = { ...feature, geometry: moved(feature.geometry, shift, shift), properties: { ...feature.properties, name } };
      delete copy.id;
      this.drawing.change((features) => [...features, copy]);
      this.hand.choose(this.drawing.features.length - 1);
    } else if (what === "accept") {
      const { proposed: _, confidence: __, ...properties } = feature.properties;
      this.drawing.change((features) => features.with(chosen, { ...feature, properties }));
    } else if (what === "show") this.#fit(feature);
    else if (what === "snap") this.snap();
    else if (what === "read") this.read();
    else if (what === "join") this.#joinWith();
  }

  #fit(feature) {
    this.die.view.fit(toMap(feature.geometry).getExtent(), { padding: [80, 80, 80, 80], maxZoom: 40, duration: 150 });
  }

  async read() {
    const { feature, chosen } = this.hand;
    if (!feature || this.details.get(feature)?.waiting) return;
    this.details.set(feature, { waiting: true });
    this.one();
    try {
      this.details.set(feature, await ask("POST", "details", { document: this.drawing.document, index: chosen }));
    } catch (error) {
      this.details.set(feature, { block: null, warnings: [error.message] });
    }
    if (this.hand.feature === feature) this.one();
  }

  // The corners of the chosen outline, found on the picture by the server; one step of undo like any other.
  async snap() {
    const { feature, chosen } = this.hand;
    if (!feature?.geometry.type.endsWith("Polygon") || shownOnly) return;
    this.#told("looking for its edges …");
    try {
      const found = await ask("POST", "snap", { document: this.drawing.document, index: chosen });
      if (this.hand.feature !== feature) return;
      if (found.feature) this.drawing.change((features) => features.with(chosen, found.feature));
      this.#told(found.text);
    } catch (error) {
      this.#trouble(error.message);
    }
  }

  #heldSnap() {
    if (!this.held) return;
    this.heldUsed = true;
    this.snap();
  }

  // What was read, drawn over the picture, so that a person can judge it.
  #overlay(details) {
    const source = this.hand.found.getSource();
    source.clear();
    const array = details?.block?.array;
    const add = (geometry, width, dash) => {
      const feature = new Feature({ geometry });
      feature.setStyle([new Style({ stroke: new Stroke({ color: "#0b0e13", width: width + 2 }) }), new Style({ stroke: new Stroke({ color: "#f5f7fa", width, lineDash: dash }) })]);
      source.addFeature(feature);
    };
    for (const bank of array?.bank_list ?? []) {
      const [x0, y0, x1, y1] = bank.bounds_px;
      add(new Polygon([[[x0, -y0], [x1, -y0], [x1, -y1], [x0, -y1], [x0, -y0]]]), 2);
      const lines = (count, line) => count && count <= 512 && Array.from({ length: count - 1 }, (_, k) => add(new LineString(line((k + 1) / count)), 0.6));
      lines(bank.columns, (share) => [[x0 + share * (x1 - x0), -y0], [x0 + share * (x1 - x0), -y1]]);
      lines(bank.rows, (share) => [[x0, -y0 - share * (y1 - y0)], [x1, -y0 - share * (y1 - y0)]]);
    }
    const path = details?.block?.inductor?.path_um;
    const { um_per_px_x: across, um_per_px_y: down } = this.setup.scale ?? {};
    if (path && across) add(new LineString(path.map(([x, y]) => [x / across, -y / down])), 1.6, [6, 4]);
  }

  #joinWith() {
    const { chosen } = this.hand;
    const others = this.drawing.features
      .map((feature, index) => ({ feature, index }))
      .filter(({ feature, index }) => index !== chosen && feature.geometry.type.endsWith("Polygon") && feature.properties.kind !== "die");
    this.#question(
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

  async #drawn(geometry) {
    const { act } = this.hand;
    if (act === "known") return this.#known(geometry);
    if (act === "hole" || act === "cut") return this.#within(act, geometry);
    const kind = act === "mark" ? "other" : this.kind;
    const single = kind === "die";
    const name = single ? "Die" : this.#freeName(this.look.of(kind).label);
    const properties = { name, kind };
    this.drawing.change((features) => [...features, { type: "Feature", properties, geometry }]);
    if (single) this.#kindOf("logic");
    this.hand.choose(this.drawing.features.length - 1);
    this.#heldSnap();
  }

  async #within(act, geometry) {
    const { feature, chosen } = this.hand;
    this.hand.doing("look");
    if (!feature?.geometry.type.endsWith("Polygon")) return this.#trouble("Choose a block first, then draw its hole or cut.");
    const helper = { type: "Feature", properties: { name: act, kind: act === "cut" ? "trace" : "other" }, geometry };
    const document = { ...this.drawing.document, features: [...this.drawing.features, helper] };
    try {
      const how = act === "cut" ? "cut" : "take_out";
      const { geometries } = await ask("POST", "combine", { document, indices: [chosen, document.features.length - 1], how });
      const [first, ...others] = geometries;
      this.drawing.change((features) => {
        features[chosen] = { ...feature, geometry: first };
        const name = feature.properties.name.replace(/ \d+$/, "");
        others.forEach((piece, k) => features.push({ ...feature, geometry: piece, properties: { ...feature.properties, name: `${this.#freeName(name, k)}` } }));
        return features;
      });
      this.one();
    } catch (error) {
      this.#trouble(error.message);
    }
  }

  #known(geometry) {
    this.hand.doing("look");
    this.#question(
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
        this.#told(found.text);
        this.measure();
      },
    );
  }

  #freeName(label, more = 0) {
    const names = new Set(this.drawing.features.map(({ properties }) => properties.name));
    let number = 1;
    for (let skipped = 0; ; number++) if (!names.has(`${label} ${number}`) && skipped++ === more) return `${label} ${number}`;
  }

  // Numbers of the whole drawing; only the newest answer counts.
  async measure() {
    const asked = this.drawing.document;
    if (!this.look.umPerPx) return;
    try {
      const found = await ask("POST", "numbers", { document: asked });
      if (asked !== this.drawing.document) return;
      this.numbers = found;
      this.list();
      if (!at("#one").contains(document.activeElement)) this.one();
      else at("#one-numbers").innerHTML = numbersOf(found.blocks[this.hand.chosen]);
    } catch (error) {
      if (error instanceof Refused) this.#trouble(error.message);
      else throw error;
    }
  }

  // Numbers of what is being drawn right now, at most so many times a second.
  #live(geometry) {
    this.pending = closedUp(geometry);
    if (!isShape(this.pending)) return;
    if (this.liveTimer || !this.look.umPerPx) return;
    this.liveTimer = setTimeout(async () => {
      this.liveTimer = null;
      const line = this.pending.type === "LineString";
      const now = { type: "Feature", properties: { name: "now", kind: line ? "trace" : "other" }, geometry: this.pending };
      const dies = this.drawing.features.filter(({ properties }) => properties.kind === "die" && !properties.proposed);
      try {
        const found = await ask("POST", "numbers", { document: { type: "FeatureCollection", features: [...dies, now] } });
        const table = numbersOf(found.blocks.at(-1));
        if (this.hand.isDrawing || this.hand.act === "look") {
          const place = at("#one-numbers");
          if (place && this.hand.act === "look") place.innerHTML = table;
          else this.#told(textOf(table));
        }
      } catch {
        // An outline that is not one yet has no numbers.
      }
    }, LIVE_EVERY_MS);
  }

  #where(coordinate) {
    const scale = this.setup.scale;
    const [x, y] = [coordinate[0], -coordinate[1]];
    const text = scale ? `${lengthOf(x * scale.um_per_px_x)}, ${lengthOf(y * scale.um_per_px_y)}` : `${plain(x)}, ${plain(y)} px`;
    at("#place").textContent = text;
  }

  #told(text) {
    at("#hint").textContent = text;
  }

  #trouble(text, buttons = []) {
    const place = at("#trouble");
    place.hidden = false;
    place.innerHTML = `<p>${escaped(text)}</p>`;
    for (const [label, act] of [...buttons, ["Close", () => {}]]) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = label;
      button.addEventListener("click", () => {
        place.hidden = true;
        act();
      });
      place.append(button);
    }
  }

  #state({ state, text }) {
    const kept = at("#kept");
    kept.dataset.state = state;
    const time = new Date().toLocaleTimeString("en-GB");
    kept.textContent = { saved: `saved ${time} in ${this.setup.file}`, saving: "saving …", renewed: `loaded anew ${time}: changed elsewhere`, shown: "to look at" }[state] ?? "not saved";
    if (state === "saved") at("#trouble").hidden = true;
    if (state === "unsaved") this.#trouble(text, [["Try again", () => this.drawing.save()]]);
    if (state === "conflict")
      this.#trouble("This drawing was changed in another page or program after this page read it. Nothing was overwritten.", [
        ["Load theirs", () => this.drawing.takeTheirs()],
        ["Keep mine", () => this.drawing.keepMine()],
      ]);
  }

  #question(title, fields, label, act) {
    const dialog = at("#ask");
    dialog.setAttribute("aria-label", title);
    dialog.innerHTML = `<form method="dialog"><h2>${title}</h2>${fields}<p class="told" role="alert"></p><p class="row buttons"><button type="button" value="no">Leave it</button><button value="yes">${label}</button></p></form>`;
    dialog.querySelector('[value="no"]').addEventListener("click", () => dialog.close());
    dialog.querySelector("form").addEventListener("submit", async (event) => {
      event.preventDefault();
      try {
        await act(new FormData(event.target));
        dialog.close();
      } catch (error) {
        dialog.querySelector(".told").textContent = error.message;
      }
    });
    dialog.showModal();
  }

  #help() {
    const dialog = at("#keys");
    const rows = KEYS.map(([key, text]) => `<tr><th scope="row">${key}</th><td>${text}</td></tr>`).join("");
    dialog.innerHTML = `<form method="dialog"><h2 id="keys-title">Keys</h2><table><tbody>${rows}</tbody></table><p class="row buttons"><button>Close</button></p></form>`;
    dialog.showModal();
  }

  #viewOut() {
    this.#question(
      "Save this view as a picture",
      `<label>Width in pixels <input name="width" type="number" min="200" max="8000" value="2400" required></label>
       <label><input name="legend" type="checkbox" checked> legend</label>
       <label><input name="names" type="checkbox"${this.look.names ? " checked" : ""}> names</label>`,
      "Save",
      async (given) => {
        const [x0, y0, x1, y1] = this.die.view.calculateExtent(this.die.map.getSize());
        const picture = await ask("POST", "view", {
          document: this.drawing.document,
          box_px: [x0, -y1, x1, -y0],
          width_px: Number(given.get("width")),
          legend: given.has("legend"),
          names: given.has("names"),
          picture: Number(at("#picture").value),
          hidden: [...this.look.hidden],
        });
        const link = document.createElement("a");
        link.href = URL.createObjectURL(picture);
        link.download = "view.png";
        link.click();
        URL.revokeObjectURL(link.href);
      },
    );
  }

  #keys() {
    addEventListener("keydown", (event) => {
      if (event.target.closest("input, select, textarea, dialog[open]") && event.key !== "Escape") return;
      if (document.querySelector("dialog[open]")) return;
      if (event.target.closest("button, summary") && ["Enter", " "].includes(event.key)) return;
      if (this.#key(event)) event.preventDefault();
    });
    addEventListener("keyup", (event) => {
      if (event.key.toLowerCase() !== "e" || !this.held) return;
      this.held = false;
      if (!this.heldUsed) this.snap();
    });
    at("#die").addEventListener("blur", () => this.hand.showAim(null));
  }

  #key(event) {
    const { hand, die, drawing } = this;
    const { key, shiftKey: shift, ctrlKey: ctrl, metaKey: meta } = event;
    if ((ctrl || meta) && key.toLowerCase() === "z") {
      if (shift) drawing.redo();
      else if (!hand.takeBack()) drawing.undo();
      return true;
    }
    const arrow = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[key];
    if (arrow && !event.target.closest("#book")) {
      const [x, y] = arrow;
      const step = shift ? 0.1 : ctrl ? 10 : 1;
      if (hand.act !== "look") hand.moveAim(x, y, shift);
      else if (hand.feature && hand.corner !== null) hand.moveCorner(x * step, y * step);
      else hand.pan(x * 80, y * 80);
      return true;
    }
    if (ctrl || meta || event.altKey) return false;
    const act = Object.entries(ACTS).find(([, one]) => one.key === key)?.[0];
    if (key === "Escape") hand.stop();
    else if (act) {
      hand.doing(act);
      at("#die").focus();
    } else if (key === " ") hand.act !== "look" && hand.place();
    else if (key === "Enter") hand.finish();
    else if (key === "Backspace") hand.takeBack();
    else if (key === "," || key === ".") hand.nextCorner(key === "." ? 1 : -1);
    else if (key === "Insert") hand.corner !== null && hand.addCorner();
    else if (key === "Delete") hand.corner !== null ? hand.dropCorner() : this.do("remove");
    else if (key === "+" || key === "=") die.view.adjustZoom(1);
    else if (key === "-") die.view.adjustZoom(-1);
    else if (key === "0") die.whole();
    else return this.#letter(key.toLowerCase());
    return true;
  }

  #letter(key) {
    const { hand, drawing } = this;
    if (key === "h" || key === "?") this.#help();
    else if (key === "e") {
      if (!this.held) this.heldUsed = false;
      this.held = true;
    }
    else if (key === "k") {
      const kinds = this.setup.kinds.map(({ kind }) => kind);
      this.#kindOf(kinds[(kinds.indexOf(this.kind) + 1) % kinds.length]);
      this.#told(`drawn as ${this.look.of(this.kind).label}`);
    } else if (key === "n" || key === "p") {
      const count = drawing.features.length;
      if (count) hand.choose(((hand.chosen ?? (key === "n" ? -1 : count)) + (key === "n" ? 1 : -1) + count) % count);
    } else if (key === "f") hand.feature && this.#fit(hand.feature);
    else if (key === "c") this.do("copy");
    else if (key === "r") this.read();
    else if (key === "a") hand.feature?.properties.proposed && this.do("accept");
    else return false;
    return true;
  }
}

// A ring under the hand may not be closed yet.
function closedUp(geometry) {
  if (geometry.type !== "Polygon") return geometry;
  const coordinates = geometry.coordinates.map((ring) => {
    const [first, last] = [ring[0], ring.at(-1)];
    return first[0] === last[0] && first[1] === last[1] ? ring : [...ring, first];
  });
  return { ...geometry, coordinates };
}

// Whether there are places enough for an area or a length.
function isShape({ type, coordinates }) {
  const distinct = (points) => new Set(points.map(String)).size;
  if (type === "LineString") return distinct(coordinates) > 1;
  return type !== "Polygon" || coordinates.every((ring) => distinct(ring) > 2);
}

function textOf(html) {
  const table = document.createElement("table");
  table.innerHTML = html;
  return [...table.rows].map((row) => [...row.cells].map((cell) => cell.textContent).join(" ")).join(" · ");
}

begin().catch((error) => {
  at("#trouble").hidden = false;
  at("#trouble").textContent = error instanceof Refused ? error.message : `the page could not start: ${error.message}`;
  if (!(error instanceof Refused)) throw error;
});
