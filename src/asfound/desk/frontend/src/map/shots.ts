// Shots as ticks across their lines with 95 % ellipses to scale; only what the eye can tell apart.

import { MISSING_LENGTH, type Shots } from "../model";
import type { State } from "../state";
import type { Ink } from "./ink";
import type { Frame } from "./shapes";

const UTILITIES = 7;
const GROUPS = UTILITIES * 3;
const BUCKET = 3; // pixels within which one shot stands for all
const SCALE = 1e-4;

export class ShotPainter {
  private stamps = new Uint32Array(0);
  private holders = new Int32Array(0);
  private stamp = 0;
  private readonly groups: number[][] = Array.from({ length: GROUPS }, () => []);
  private readonly checks: number[] = [];
  /** Shots drawn in the last frame. */
  drawn: number[] = [];

  paint(
    context: CanvasRenderingContext2D,
    frame: Frame,
    state: State,
    ink: Ink,
    ellipses: boolean,
  ): void {
    this.collect(frame, state);
    const { shots } = state;
    const half = tickHalf(frame.resolution);
    if (ellipses) this.ellipses(context, frame, shots, ink);
    for (let group = 0; group < GROUPS; group++) {
      const members = this.groups[group]!;
      if (!members.length) continue;
      const verdict = group % 3;
      context.strokeStyle = ink.utilities[Math.floor(group / 3)]!;
      if (verdict === 1) this.openTicks(context, frame, shots, members, half, ink);
      else this.ticks(context, frame, shots, members, half, verdict === 2, ink);
    }
    this.triangles(context, frame, shots, half, ink);
  }

  /** The shots in view, thinned where several fall on one spot: the graver verdict stays. */
  private collect(frame: Frame, state: State): void {
    const { shots, shown, places } = state;
    const used: number[] = [];
    const step = frame.resolution * BUCKET;
    const pad = 12 * frame.resolution;
    const bounds = [frame.west - pad, frame.south - pad, frame.east + pad, frame.north + pad];
    const [west, south, east, north] = bounds.map((v) => Math.round(v / SCALE));
    const { easting, northing, verdict } = shots;
    const perStep = SCALE / step;
    const left = west! * perStep;
    const low = south! * perStep;
    const columns = Math.ceil((east! - west!) * perStep) + 1;
    const needed = columns * (Math.ceil((north! - south!) * perStep) + 1);
    if (this.stamps.length < needed) {
      this.stamps = new Uint32Array(needed);
      this.holders = new Int32Array(needed);
      this.stamp = 0;
    }
    const now = ++this.stamp;
    const { stamps, holders } = this;
    places.within(west!, south!, east!, north!, (shot) => {
      if (!shown[shot]) return;
      const at =
        Math.floor(northing[shot]! * perStep - low) * columns +
        Math.floor(easting[shot]! * perStep - left);
      if (stamps[at] !== now) {
        stamps[at] = now;
        holders[at] = shot;
        used.push(at);
      } else if (verdict[shot]! > verdict[holders[at]!]!) {
        holders[at] = shot;
      }
    });
    for (const group of this.groups) group.length = 0;
    this.checks.length = 0;
    this.drawn = [];
    for (const at of used) {
      const shot = holders[at]!;
      this.drawn.push(shot);
      if (shots.control[shot]! >= 0) this.checks.push(shot);
      else this.groups[shots.utility[shot]! * 3 + shots.verdict[shot]!]!.push(shot);
    }
  }

  private ellipses(context: CanvasRenderingContext2D, frame: Frame, shots: Shots, ink: Ink): void {
    const { resolution } = frame;
    for (let group = 0; group < GROUPS; group++) {
      const members = this.groups[group]!;
      if (!members.length) continue;
      context.beginPath();
      let some = false;
      for (const shot of members) {
        const major = shots.major[shot]!;
        if (major === MISSING_LENGTH) continue;
        const a = (major * SCALE) / resolution;
        if (a < 3) continue;
        const b = (shots.minor[shot]! * SCALE) / resolution;
        const x = (shots.easting[shot]! * SCALE - frame.west) / resolution;
        const y = (frame.north - shots.northing[shot]! * SCALE) / resolution;
        // Bearings run clockwise from north, the canvas's angles clockwise from east.
        const turn = shots.bearing[shot]! * 1e-4 - Math.PI / 2;
        context.moveTo(x + a * Math.cos(turn), y + a * Math.sin(turn));
        context.ellipse(x, y, a, Math.max(b, 0.5), turn, 0, 2 * Math.PI);
        some = true;
      }
      if (!some) continue;
      const utility = Math.floor(group / 3);
      context.lineWidth = 1;
      context.strokeStyle = ink.utilities[utility]!;
      context.globalAlpha = 0.85;
      if (group % 3 === 1) context.setLineDash([5, 3]);
      if (group % 3 === 2) context.setLineDash([1, 4]);
      context.stroke();
      context.setLineDash([]);
      context.globalAlpha = 1;
    }
  }

  private ticks(
    context: CanvasRenderingContext2D,
    frame: Frame,
    shots: Shots,
    members: number[],
    half: number,
    struck: boolean,
    ink: Ink,
  ): void {
    context.beginPath();
    for (const shot of members) {
      const [x, y, dx, dy] = tick(frame, shots, shot);
      context.moveTo(x - dx * half, y - dy * half);
      context.lineTo(x + dx * half, y + dy * half);
    }
    context.lineWidth = half > 6 ? 2.6 : half > 4 ? 2 : 1.5;
    context.stroke();
    if (!struck) return;
    context.beginPath();
    const reach = half * 0.8 + 1.5;
    for (const shot of members) {
      const [x, y, dx, dy] = tick(frame, shots, shot);
      const sx = (dx - dy) * 0.7071;
      const sy = (dx + dy) * 0.7071;
      context.moveTo(x - sx * reach, y - sy * reach);
      context.lineTo(x + sx * reach, y + sy * reach);
    }
    context.strokeStyle = ink.ink;
    context.lineWidth = 1.4;
    context.stroke();
  }

  private openTicks(
    context: CanvasRenderingContext2D,
    frame: Frame,
    shots: Shots,
    members: number[],
    half: number,
    ink: Ink,
  ): void {
    const width = half > 6 ? 2.6 : half > 4 ? 2 : 1.4;
    context.beginPath();
    for (const shot of members) {
      const [x, y, dx, dy] = tick(frame, shots, shot);
      const [ux, uy, vx, vy] = [dx * half, dy * half, -dy * width, dx * width];
      context.moveTo(x - ux - vx, y - uy - vy);
      context.lineTo(x + ux - vx, y + uy - vy);
      context.lineTo(x + ux + vx, y + uy + vy);
      context.lineTo(x - ux + vx, y - uy + vy);
      context.closePath();
    }
    context.fillStyle = ink.paper;
    context.fill();
    context.lineWidth = 1.2;
    context.stroke();
  }

  private triangles(context: CanvasRenderingContext2D, frame: Frame, shots: Shots, half: number, ink: Ink): void {
    if (!this.checks.length) return;
    context.beginPath();
    const size = half * 0.8 + 1;
    for (const shot of this.checks) {
      const x = (shots.easting[shot]! * SCALE - frame.west) / frame.resolution;
      const y = (frame.north - shots.northing[shot]! * SCALE) / frame.resolution;
      context.moveTo(x, y - size);
      context.lineTo(x + size * 0.87, y + size * 0.5);
      context.lineTo(x - size * 0.87, y + size * 0.5);
      context.closePath();
    }
    context.strokeStyle = ink.ink;
    context.lineWidth = 1.3;
    context.stroke();
  }
}

/** Half a tick's length on the screen [px]: shorter as the sheet shows more. */
export function tickHalf(resolution: number): number {
  if (resolution < 0.02) return 9;
  if (resolution < 0.08) return 7.5;
  if (resolution < 0.25) return 5.5;
  if (resolution < 0.8) return 4;
  return 2.8;
}

/** Place on the screen, and the unit direction across the line. */
export function tick(frame: Frame, shots: Shots, shot: number): [number, number, number, number] {
  const x = (shots.easting[shot]! * SCALE - frame.west) / frame.resolution;
  const y = (frame.north - shots.northing[shot]! * SCALE) / frame.resolution;
  const coded = shots.line_bearing[shot]!;
  const bearing = coded === -32768 ? 0 : coded * 1e-4;
  return [x, y, Math.cos(bearing), Math.sin(bearing)];
}
