// GeoJSON in mosaic pixels (y down) to the map's geometries (y up) and back. The only place that turns y over.
import { LineString, MultiPolygon, Point, Polygon } from "ol/geom.js";

const CLASSES = { Point, LineString, Polygon, MultiPolygon };
const STEPS_PER_PX = 1000;

export function toMap(geometry) {
  return new CLASSES[geometry.type](turned(geometry.coordinates));
}

export function toDrawing(geometry) {
  return { type: geometry.getType(), coordinates: rounded(turned(geometry.getCoordinates())) };
}

export function placeOf(coordinate) {
  return [coordinate[0], -coordinate[1]];
}

function turned(value) {
  return typeof value[0] === "number" ? [value[0], -value[1], ...value.slice(2)] : value.map(turned);
}

// A thousandth of a pixel is far finer than any hand; more digits are noise of the screen's arithmetic.
function rounded(value) {
  if (typeof value === "number") return Math.round(value * STEPS_PER_PX) / STEPS_PER_PX;
  return value.map(rounded);
}

export function rectangle(a, b) {
  return [[a, [b[0], a[1]], b, [a[0], b[1]], a]];
}

export function evenSided(centre, corner, sides) {
  const radius = Math.hypot(corner[0] - centre[0], corner[1] - centre[1]);
  const first = Math.atan2(corner[1] - centre[1], corner[0] - centre[0]);
  const ring = Array.from({ length: sides }, (_, k) => {
    const angle = first + (2 * Math.PI * k) / sides;
    return [centre[0] + radius * Math.cos(angle), centre[1] + radius * Math.sin(angle)];
  });
  return [[...ring, ring[0]]];
}

export function moved(geometry, dx, dy) {
  const shift = (value) => (typeof value[0] === "number" ? [value[0] + dx, value[1] + dy] : value.map(shift));
  return { ...geometry, coordinates: rounded(shift(geometry.coordinates)) };
}

// Every corner of a geometry with the way to it: path of indices into the coordinates, closing points left out.
export function corners(geometry) {
  const found = [];
  const walk = (value, path) => {
    if (typeof value[0] === "number") {
      found.push({ path, at: value });
      return;
    }
    const closed = geometry.type.endsWith("Polygon") && typeof value[0]?.[0] === "number";
    (closed ? value.slice(0, -1) : value).forEach((item, index) => walk(item, [...path, index]));
  };
  walk(geometry.coordinates, []);
  return found;
}

export function withCorner(geometry, path, change) {
  const coordinates = structuredClone(geometry.coordinates);
  const ring = path.slice(0, -1).reduce((value, index) => value[index], coordinates);
  const closed = geometry.type.endsWith("Polygon");
  const index = path.at(-1);
  if (path.length === 0) return { ...geometry, coordinates: rounded(change(coordinates)[0] ?? coordinates) };
  if (closed) ring.pop();
  ring.splice(index, 1, ...change(ring[index], ring[(index + 1) % ring.length]));
  if (ring.length < (closed ? 3 : 2)) return geometry;
  if (closed) ring.push([...ring[0]]);
  return { ...geometry, coordinates: rounded(coordinates) };
}
