// How blocks look: the colours and patterns of the report, so that page, picture and report agree.
import { getCenter } from "ol/extent.js";
import { Fill, Stroke, Style, Text, Circle } from "ol/style.js";
import { MultiPoint, Point } from "ol/geom.js";

const PATTERN_PX = 14;
// Their names would lie over those of other blocks; the list has them.
const UNNAMED = new Set(["die", "conductor"]);
const patterns = new Map();

// The server names hatches as its figures do; each is lines across a small square that repeats.
function pattern(hatch, colour, strength) {
  const name = `${hatch}|${colour}|${strength}`;
  if (!patterns.has(name)) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = PATTERN_PX;
    const pen = tile.getContext("2d");
    pen.globalAlpha = 0.45 * strength;
    pen.fillStyle = colour;
    pen.fillRect(0, 0, PATTERN_PX, PATTERN_PX);
    pen.globalAlpha = Math.min(1, 1.6 * strength);
    pen.strokeStyle = colour;
    pen.lineWidth = 1.3;
    pen.beginPath();
    const end = PATTERN_PX;
    const half = PATTERN_PX / 2;
    const line = (...points) => points.forEach(([x, y], k) => (k ? pen.lineTo(x, y) : pen.moveTo(x, y)));
    if (hatch.includes("/") || hatch.includes("x")) line([-1, end + 1], [end + 1, -1]);
    if (hatch.includes("\\") || hatch.includes("x")) line([-1, -1], [end + 1, end + 1]);
    if (hatch.includes("+") || hatch.includes("-")) line([0, half], [end, half]);
    if (hatch.includes("+") || hatch.includes("|")) line([half, 0], [half, end]);
    if (hatch.includes("o")) {
      pen.moveTo(half + 3, half);
      pen.arc(half, half, 3, 0, 2 * Math.PI);
    }
    pen.stroke();
    patterns.set(name, pen.createPattern(tile, "repeat"));
  }
  return patterns.get(name);
}

export class Look {
  constructor(kinds) {
    this.kinds = new Map(kinds.map((kind) => [kind.kind, kind]));
    this.strength = 0.35;
    this.names = true;
    this.hidden = new Set();
    this.umPerPx = null;
  }

  of(kind) {
    return this.kinds.get(kind) ?? this.kinds.get("other");
  }

  // Styles of one block. `chosen`: with its corners shown; `corner`: the one that the keys move.
  styles(feature, resolution, chosen, corner) {
    const { kind, name, proposed, width_um: width } = feature.get("properties");
    if (this.hidden.has(proposed ? "proposed" : kind)) return [];
    const { colour, hatch, dash } = this.of(kind);
    const geometry = feature.getGeometry();
    const area = geometry.getType().endsWith("Polygon");
    const wide = chosen ? 3.2 : 2;
    const found = [];
    if (!area && width && this.umPerPx && geometry.getType() === "LineString") {
      const drawn = width / this.umPerPx / resolution;
      const stroke = new Stroke({ color: `${colour}66`, width: drawn, lineCap: "butt", lineJoin: "miter" });
      found.push(new Style({ stroke }));
    }
    const dashes = proposed ? [2, 5] : dash.map((part) => part * wide);
    found.push(
      new Style({ stroke: new Stroke({ color: "#0b0e13cc", width: wide + 3 }), zIndex: chosen ? 2 : 0 }),
      new Style({
        zIndex: chosen ? 3 : 1,
        stroke: new Stroke({ color: colour, width: wide, lineDash: dashes.length ? dashes : undefined }),
        fill: area && hatch && !proposed ? new Fill({ color: pattern(hatch, colour, this.strength) }) : undefined,
        image: new Circle({
          radius: chosen ? 7 : 5,
          fill: new Fill({ color: colour }),
          stroke: new Stroke({ color: "#0b0e13", width: 2 }),
        }),
      }),
    );
    if (this.names && !UNNAMED.has(kind)) found.push(nameStyle(proposed ? `${name}?` : name, geometry, chosen));
    if (chosen && geometry.getType() !== "Point") found.push(...cornerStyles(geometry, corner));
    return found;
  }
}

// A path's name stands amid it: the middle along its length may be a bend at its rim, over a neighbour.
function nameStyle(name, geometry, chosen) {
  return new Style({
    zIndex: chosen ? 3 : 1,
    geometry: geometry.getType() === "LineString" ? new Point(getCenter(geometry.getExtent())) : geometry,
    text: new Text({
      text: name,
      font: "600 13px system-ui, sans-serif",
      fill: new Fill({ color: "#f5f7fa" }),
      stroke: new Stroke({ color: "#0b0e13", width: 4 }),
      overflow: chosen,
      placement: "point",
    }),
  });
}

function cornerStyles(geometry, corner) {
  const all = new Style({
    zIndex: 4,
    geometry: new MultiPoint(flat(geometry.getCoordinates())),
    image: new Circle({
      radius: 4,
      fill: new Fill({ color: "#0b0e13" }),
      stroke: new Stroke({ color: "#f5f7fa", width: 1.6 }),
    }),
  });
  if (!corner) return [all];
  const one = new Style({
    zIndex: 5,
    geometry: new MultiPoint([[corner[0], -corner[1]]]),
    image: new Circle({ radius: 8, stroke: new Stroke({ color: "#f5f7fa", width: 2.4 }) }),
  });
  return [all, one];
}

function flat(value) {
  return typeof value[0] === "number" ? [value] : value.flatMap(flat);
}
