// Paths in plan, decoded once, and drawn only as finely as the eye can tell.

import { decode } from "../model";

export interface Path {
  places: Float64Array; // x0, y0, x1, y1, ... metres from the origin
  box: [number, number, number, number];
}

export function pathOf(places: Float64Array): Path {
  const box: Path["box"] = [Infinity, Infinity, -Infinity, -Infinity];
  for (let k = 0; k < places.length; k += 2) {
    box[0] = Math.min(box[0], places[k]!);
    box[1] = Math.min(box[1], places[k + 1]!);
    box[2] = Math.max(box[2], places[k]!);
    box[3] = Math.max(box[3], places[k + 1]!);
  }
  return { places, box };
}

export const decoded = (deltas: number[], scale: number): Path => pathOf(decode(deltas, scale));

/** Where metres from the origin stand on the canvas. */
export interface Frame {
  west: number;
  south: number;
  east: number;
  north: number;
  width: number;
  height: number;
  resolution: number; // metres a pixel
}

export const screenX = (frame: Frame, x: number): number => (x - frame.west) / frame.resolution;
export const screenY = (frame: Frame, y: number): number => (frame.north - y) / frame.resolution;

export function meets(frame: Frame, [w, s, e, n]: Path["box"], pad = 0): boolean {
  return w <= frame.east + pad && e >= frame.west - pad && s <= frame.north + pad && n >= frame.south - pad;
}

/** Adds a path to the canvas's current path; vertices less than a pixel apart are passed over. */
export function trace(context: CanvasRenderingContext2D, frame: Frame, path: Path, close = false): void {
  const { places } = path;
  const count = places.length;
  if (count < 4) return;
  const { west, north, resolution } = frame;
  const least = resolution * 0.8;
  let x = places[0]!;
  let y = places[1]!;
  context.moveTo((x - west) / resolution, (north - y) / resolution);
  for (let k = 2; k < count; k += 2) {
    const a = places[k]!;
    const b = places[k + 1]!;
    if (k < count - 2 && Math.abs(a - x) < least && Math.abs(b - y) < least) continue;
    x = a;
    y = b;
    context.lineTo((x - west) / resolution, (north - y) / resolution);
  }
  if (close) context.closePath();
}

/** Distance from a place to a path, in metres. */
export function distanceTo({ places }: Path, x: number, y: number): number {
  let least = Infinity;
  for (let k = 0; k + 3 < places.length; k += 2) {
    const ax = places[k]!;
    const ay = places[k + 1]!;
    const dx = places[k + 2]! - ax;
    const dy = places[k + 3]! - ay;
    const square = dx * dx + dy * dy;
    const t = square > 0 ? Math.min(1, Math.max(0, ((x - ax) * dx + (y - ay) * dy) / square)) : 0;
    least = Math.min(least, Math.hypot(x - ax - t * dx, y - ay - t * dy));
  }
  return least;
}

export function inside({ places, box }: Path, x: number, y: number): boolean {
  if (x < box[0] || x > box[2] || y < box[1] || y > box[3]) return false;
  let odd = false;
  for (let k = 0, last = places.length - 2; k < places.length; last = k, k += 2) {
    const ay = places[k + 1]!;
    const by = places[last + 1]!;
    if (ay > y !== by > y) {
      const ax = places[k]!;
      if (x < ax + ((y - ay) / (by - ay)) * (places[last]! - ax)) odd = !odd;
    }
  }
  return odd;
}
