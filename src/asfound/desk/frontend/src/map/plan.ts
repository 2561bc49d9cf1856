// The plan as one canvas: everything of a job drawn from typed arrays, each frame anew.

import type { FrameState } from "ol/Map";
import Layer from "ol/layer/Layer";
import Source from "ol/source/Source";
import { MISSING_PLACE, shotName } from "../model";
import type { Chosen, State } from "../state";
import { decimalsOf, roundStep } from "../units";
import { type Ink, readInk } from "./ink";
import { decoded, type Frame, meets, type Path, pathOf, screenX, screenY, trace } from "./shapes";
import { ShotPainter, tick, tickHalf } from "./shots";

interface DrawnLine {
  axis: Path;
  envelope: Path[];
}
interface DrawnDig {
  footprint: Path[];
  zone: Path[];
}

/** What is being drawn by hand: a path in metres from the origin, with words at its end. */
export interface Sketch {
  places: [number, number][];
  closed: boolean;
  width: number; // metres; 0 for a line
  words: string;
}

export interface Layers {
  shots: boolean;
  ellipses: boolean;
  envelopes: boolean;
  digs: boolean;
  sweeps: boolean;
  grid: boolean;
  names: boolean;
}

export class Plan {
  readonly layer: Layer;
  lines: DrawnLine[] = [];
  digs: DrawnDig[] = [];
  records: Path[] = [];
  workArea: Path | null = null;
  ink!: Ink;
  sketch: Sketch | null = null;
  box: [number, number, number, number] | null = null;
  hover: Chosen | null = null;
  pointer: [number, number] | null = null;
  layers: Layers = {
    shots: true, ellipses: true, envelopes: true, digs: true, sweeps: true, grid: true, names: true,
  };
  /** Milliseconds that the last frame took to draw. */
  lastFrame = 0;
  private readonly canvas = document.createElement("canvas");
  private readonly context: CanvasRenderingContext2D;
  private readonly painter = new ShotPainter();
  private taken: [number, number, number, number][] = [];

  constructor(private readonly state: State) {
    this.canvas.className = "plan-canvas";
    const context = this.canvas.getContext("2d");
    if (!context) throw new Error("this browser has no canvas");
    this.context = context;
    this.layer = new Layer({ source: new Source({}), render: (frame) => this.render(frame) });
  }

  load(): void {
    const { view } = this.state;
    const { scale } = view;
    this.lines = view.lines.map((line) => ({
      axis: decoded(line.axis, scale),
      envelope: line.envelope.map((ring) => decoded(ring, scale)),
    }));
    this.digs = view.digs.map((dig) => ({
      footprint: dig.footprint.map((ring) => decoded(ring, scale)),
      zone: dig.zone.map((ring) => decoded(ring, scale)),
    }));
    this.records = view.records.map((record) => decoded(record.axis, scale));
    this.workArea = view.work_area ? decoded(view.work_area, scale) : null;
    this.restyle();
  }

  restyle(): void {
    this.ink = readInk(document.documentElement, this.state.view.utilities.map((one) => one.rgb));
  }

  changed(): void {
    this.layer.changed();
  }

  private render(frameState: FrameState): HTMLElement {
    const began = performance.now();
    const { canvas, context } = this;
    const [width, height] = frameState.size as [number, number];
    const ratio = frameState.pixelRatio;
    if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
      canvas.style.width = `${width}px`;
      canvas.style.height = `${height}px`;
    }
    const { resolution, center } = frameState.viewState;
    const [originX, originY] = this.state.view.origin;
    const x = center[0]! - originX;
    const y = center[1]! - originY;
    const frame: Frame = {
      west: x - (width * resolution) / 2,
      east: x + (width * resolution) / 2,
      south: y - (height * resolution) / 2,
      north: y + (height * resolution) / 2,
      width,
      height,
      resolution,
    };
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, width, height);
    context.lineJoin = "round";
    this.taken = [];
    this.draw(frame);
    this.lastFrame = performance.now() - began;
    return canvas;
  }

  private draw(frame: Frame): void {
    const { context, state, ink, layers } = this;
    if (layers.grid) this.grid(frame);
    this.area(frame);
    if (layers.digs) this.zones(frame);
    this.recordLines(frame);
    this.axes(frame);
    if (layers.digs) this.footprints(frame);
    if (layers.sweeps) this.sweeps(frame);
    this.crossings(frame);
    if (layers.shots) this.painter.paint(context, frame, state, ink, layers.ellipses);
    this.control(frame);
    this.exposures(frame);
    this.chosenShots(frame);
    this.marks(frame);
    if (layers.names) this.names(frame);
    if (layers.grid) this.gridNumbers(frame);
    this.drawSketch(frame);
  }

  // --- the sheet ------------------------------------------------------------------------------

  /** Step of the grid, in metres, and the first line's number at west and south. */
  private gridStep(frame: Frame): { unit: number; step: number } {
    const unit = this.state.units.grid.metres;
    return { unit, step: roundStep((110 * frame.resolution) / unit) };
  }

  private grid(frame: Frame): void {
    const { context, ink } = this;
    const { unit, step } = this.gridStep(frame);
    const [originX, originY] = this.state.view.origin;
    const metres = step * unit;
    const firstX = Math.ceil((frame.west + originX) / metres) * metres - originX;
    const firstY = Math.ceil((frame.south + originY) / metres) * metres - originY;
    context.beginPath();
    for (let x = firstX; x <= frame.east; x += metres) {
      for (let y = firstY; y <= frame.north; y += metres) {
        const px = Math.round(screenX(frame, x)) + 0.5;
        const py = Math.round(screenY(frame, y)) + 0.5;
        context.moveTo(px - 5, py);
        context.lineTo(px + 5, py);
        context.moveTo(px, py - 5);
        context.lineTo(px, py + 5);
      }
    }
    context.strokeStyle = ink.grid;
    context.lineWidth = 1;
    context.stroke();
  }

  /** Eastings along the lower edge, northings along the left one, as on a plan sheet. */
  private gridNumbers(frame: Frame): void {
    const { context, ink } = this;
    const { unit, step } = this.gridStep(frame);
    const [originX, originY] = this.state.view.origin;
    const digits = decimalsOf(step);
    context.font = '11px "DejaVu Sans Condensed", "Arial Narrow", system-ui, sans-serif';
    context.textBaseline = "alphabetic";
    context.lineWidth = 1;
    const label = (value: number): string =>
      value.toLocaleString("en", { minimumFractionDigits: digits, maximumFractionDigits: digits }).replaceAll(",", "\u2009");
    const firstX = Math.ceil((frame.west + originX) / (step * unit));
    for (let k = firstX; k * step * unit - originX <= frame.east; k++) {
      const px = Math.round(screenX(frame, k * step * unit - originX)) + 0.5;
      if (px < 60 || px > frame.width - 20) continue;
      context.strokeStyle = ink.faint;
      context.beginPath();
      context.moveTo(px, frame.height);
      context.lineTo(px, frame.height - 6);
      context.moveTo(px, 0);
      context.lineTo(px, 6);
      context.stroke();
      context.textAlign = "center";
      this.halo(label(k * step), px, frame.height - 9, ink.faint);
    }
    const firstY = Math.ceil((frame.south + originY) / (step * unit));
    for (let k = firstY; k * step * unit - originY <= frame.north; k++) {
      const py = Math.round(screenY(frame, k * step * unit - originY)) + 0.5;
      if (py < 20 || py > frame.height - 40) continue;
      context.strokeStyle = ink.faint;
      context.beginPath();
      context.moveTo(0, py);
      context.lineTo(6, py);
      context.moveTo(frame.width, py);
      context.lineTo(frame.width - 6, py);
      context.stroke();
      context.save();
      context.translate(17, py);
      context.rotate(-Math.PI / 2);
      context.textAlign = "center";
      this.halo(label(k * step), 0, 0, ink.faint);
      context.restore();
    }
  }

  private halo(words: string, x: number, y: number, colour: string): void {
    const { context, ink } = this;
    context.lineWidth = 3;
    context.strokeStyle = ink.paper;
    context.strokeText(words, x, y);
    context.fillStyle = colour;
    context.fillText(words, x, y);
  }

  private area(frame: Frame): void {
    const { context, ink, workArea } = this;
    if (!workArea || !meets(frame, workArea.box)) return;
    context.beginPath();
    trace(context, frame, workArea, true);
    context.setLineDash([14, 4, 2, 4]);
    context.strokeStyle = ink.ink;
    context.lineWidth = 1.2;
    context.stroke();
    context.setLineDash([]);
  }

  // --- lines ----------------------------------------------------------------------------------

  private axes(frame: Frame): void {
    const { context, state, ink, layers } = this;
    const chosenLine = state.lineOf(state.chosen);
    const pad = 2;
    state.view.lines.forEach((line, k) => {
      const drawn = this.lines[k]!;
      if (!meets(frame, drawn.axis.box, pad)) return;
      const strong = k === chosenLine;
      if (layers.envelopes) {
        context.beginPath();
        for (const ring of drawn.envelope) trace(context, frame, ring, true);
        context.fillStyle = ink.washes[line.utility]!;
        context.fill("evenodd");
        if (strong) {
          context.strokeStyle = ink.utilities[line.utility]!;
          context.lineWidth = 0.8;
          context.stroke();
        }
      }
      context.beginPath();
      trace(context, frame, drawn.axis);
      context.strokeStyle = ink.utilities[line.utility]!;
      context.lineWidth = strong ? 2.6 : 1.5;
      if (line.verdict === "doubtful") context.setLineDash([9, 5]);
      if (line.verdict === "unfit") context.setLineDash([2, 5]);
      context.stroke();
      context.setLineDash([]);
    });
  }

  /** Lines known from records only: nobody located them, so they have no envelope and no shots. */
  private recordLines(frame: Frame): void {
    const { context, ink, state } = this;
    context.font = "italic 11px system-ui, sans-serif";
    context.textAlign = "center";
    context.textBaseline = "middle";
    this.records.forEach((path, k) => {
      if (!meets(frame, path.box)) return;
      const record = state.view.records[k]!;
      context.beginPath();
      trace(context, frame, path);
      context.setLineDash([1, 4, 8, 4]);
      context.strokeStyle = ink.utilities[record.utility]!;
      context.lineWidth = 1.3;
      context.stroke();
      context.setLineDash([]);
      const at = spotFor(frame, path.places);
      if (at) this.halo(`${record.name}, from records only`, at[0], at[1], ink.utilities[record.utility]!);
    });
  }

  private crossings(frame: Frame): void {
    if (frame.resolution > 0.6) return;
    const { context, ink, state } = this;
    const [originX, originY] = state.view.origin;
    context.lineWidth = 1.2;
    context.strokeStyle = ink.ink;
    context.fillStyle = ink.paper;
    state.view.crossings.forEach((one) => {
      const x = screenX(frame, one.easting_m - originX);
      const y = screenY(frame, one.northing_m - originY);
      if (x < -9 || y < -9 || x > frame.width + 9 || y > frame.height + 9) return;
      context.beginPath();
      context.moveTo(x, y - 5);
      context.lineTo(x + 5, y);
      context.lineTo(x, y + 5);
      context.lineTo(x - 5, y);
      context.closePath();
      context.fill();
      context.stroke();
    });
  }

  // --- digs, sweeps, points -------------------------------------------------------------------

  private zones(frame: Frame): void {
    const { context, ink } = this;
    for (const dig of this.digs) {
      context.beginPath();
      for (const ring of dig.zone) if (meets(frame, ring.box)) trace(context, frame, ring, true);
      context.fillStyle = ink.dark ? "rgba(255,255,255,0.06)" : "rgba(20,30,40,0.05)";
      context.fill("evenodd");
      context.setLineDash([3, 3]);
      context.strokeStyle = ink.faint;
      context.lineWidth = 1;
      context.stroke();
      context.setLineDash([]);
    }
  }

  private footprints(frame: Frame): void {
    const { context, ink, state } = this;
    this.digs.forEach((dig, k) => {
      const strong = state.chosen?.kind === "dig" && state.chosen.index === k;
      context.beginPath();
      for (const ring of dig.footprint) if (meets(frame, ring.box)) trace(context, frame, ring, true);
      context.strokeStyle = ink.ink;
      context.lineWidth = strong ? 2.6 : 1.6;
      context.stroke();
      if (frame.resolution > 0.25) return;
      context.save();
      context.clip("evenodd");
      const box = dig.footprint[0]?.box;
      if (box) this.hatch(frame, box);
      context.restore();
    });
  }

  private hatch(frame: Frame, box: Path["box"]): void {
    const { context, ink } = this;
    const x0 = Math.max(0, screenX(frame, box[0]));
    const x1 = Math.min(frame.width, screenX(frame, box[2]));
    const y0 = Math.max(0, screenY(frame, box[3]));
    const y1 = Math.min(frame.height, screenY(frame, box[1]));
    context.beginPath();
    for (let k = x0 + y0 - ((x0 + y0) % 8); k < x1 + y1; k += 8) {
      context.moveTo(k - y0, y0);
      context.lineTo(k - y1, y1);
    }
    context.strokeStyle = ink.faint;
    context.globalAlpha = 0.7;
    context.lineWidth = 0.8;
    context.stroke();
    context.globalAlpha = 1;
  }

  private sweeps(frame: Frame): void {
    if (frame.resolution > 0.5) return;
    const { context, ink, state } = this;
    const [originX, originY] = state.view.origin;
    state.view.sweeps.forEach((sweep, k) => {
      const [a, b] = sweep.start;
      const [c, d] = sweep.end;
      if (a === null || b === null || c === null || d === null) return;
      const x0 = screenX(frame, a - originX);
      const y0 = screenY(frame, b - originY);
      const x1 = screenX(frame, c - originX);
      const y1 = screenY(frame, d - originY);
      const strong = state.chosen?.kind === "sweep" && state.chosen.index === k;
      const length = Math.hypot(x1 - x0, y1 - y0) || 1;
      const ux = (-(y1 - y0) / length) * 4;
      const uy = ((x1 - x0) / length) * 4;
      context.beginPath();
      context.moveTo(x0, y0);
      context.lineTo(x1, y1);
      for (const [x, y] of [[x0, y0], [x1, y1]] as const) {
        context.moveTo(x - ux, y - uy);
        context.lineTo(x + ux, y + uy);
      }
      context.strokeStyle = ink.ink;
      context.lineWidth = strong ? 2.2 : 1;
      context.stroke();
      for (const [e, n] of sweep.conductors) {
        if (e === null || n === null) continue;
        context.beginPath();
        context.arc(screenX(frame, e - originX), screenY(frame, n - originY), 4, 0, 2 * Math.PI);
        context.fillStyle = ink.paper;
        context.fill();
        context.stroke();
      }
    });
  }

  private control(frame: Frame): void {
    const { context, ink, state } = this;
    const [originX, originY] = state.view.origin;
    context.font = "600 12px system-ui, sans-serif";
    context.textAlign = "left";
    context.textBaseline = "middle";
    for (const point of state.view.control) {
      const x = screenX(frame, point.easting_m - originX);
      const y = screenY(frame, point.northing_m - originY);
      if (x < -20 || y < -20 || x > frame.width + 20 || y > frame.height + 20) continue;
      context.beginPath();
      context.moveTo(x, y - 8);
      context.lineTo(x + 7, y + 4);
      context.lineTo(x - 7, y + 4);
      context.closePath();
      context.lineWidth = 1.6;
      context.strokeStyle = ink.ink;
      context.stroke();
      context.beginPath();
      context.arc(x, y, 1.3, 0, 2 * Math.PI);
      context.fillStyle = ink.ink;
      context.fill();
      this.halo(point.name, x + 11, y, ink.ink);
    }
  }

  private exposures(frame: Frame): void {
    const { context, ink, state } = this;
    const [originX, originY] = state.view.origin;
    context.strokeStyle = ink.ink;
    context.lineWidth = 1.4;
    state.view.exposures.forEach((one) => {
      const x = screenX(frame, one.easting_m - originX);
      const y = screenY(frame, one.northing_m - originY);
      context.beginPath();
      context.rect(x - 6, y - 6, 12, 12);
      context.moveTo(x - 6, y);
      context.lineTo(x + 6, y);
      context.moveTo(x, y - 6);
      context.lineTo(x, y + 6);
      context.stroke();
    });
    // Where an exposure would settle most: an open square, dashed, with its rank.
    context.setLineDash([2, 2]);
    state.view.expose.places.forEach((one, k) => {
      const x = screenX(frame, one.easting_m - originX);
      const y = screenY(frame, one.northing_m - originY);
      context.strokeRect(x - 7, y - 7, 14, 14);
      context.setLineDash([]);
      context.font = "600 11px system-ui, sans-serif";
      context.textAlign = "left";
      context.textBaseline = "middle";
      if (frame.resolution < 0.25) this.halo(`expose ${k + 1}`, x + 10, y - 9, ink.ink);
      context.setLineDash([2, 2]);
      context.strokeStyle = ink.ink;
      context.lineWidth = 1.4;
    });
    context.setLineDash([]);
  }

  // --- what is chosen -------------------------------------------------------------------------

  private chosenShots(frame: Frame): void {
    const { context, ink, state } = this;
    if (!state.range.size) return;
    const half = tickHalf(frame.resolution) + 3;
    context.beginPath();
    for (const shot of state.range) {
      const [x, y] = tick(frame, state.shots, shot);
      if (x < -half || y < -half || x > frame.width + half || y > frame.height + half) continue;
      context.rect(x - half, y - half, 2 * half, 2 * half);
    }
    context.strokeStyle = ink.mark;
    context.lineWidth = 1.4;
    context.stroke();
  }

  /** A ring of four corner marks around what is chosen; a thin one where the pointer is. */
  private marks(frame: Frame): void {
    const { context, ink, state } = this;
    if (this.hover) this.corners(frame, this.hover, ink.faint, 1.2);
    if (state.chosen) this.corners(frame, state.chosen, ink.mark, 2.4);
    if (this.pointer) {
      const x = screenX(frame, this.pointer[0]);
      const y = screenY(frame, this.pointer[1]);
      context.beginPath();
      context.arc(x, y, 8, 0, 2 * Math.PI);
      context.moveTo(x - 14, y);
      context.lineTo(x + 14, y);
      context.moveTo(x, y - 14);
      context.lineTo(x, y + 14);
      context.strokeStyle = ink.mark;
      context.lineWidth = 1.4;
      context.stroke();
    }
    if (this.box) {
      const [w, south, e, n] = this.box;
      context.setLineDash([4, 3]);
      context.strokeStyle = ink.mark;
      context.strokeRect(
        screenX(frame, w), screenY(frame, n), (e - w) / frame.resolution, (n - south) / frame.resolution,
      );
      context.setLineDash([]);
    }
  }

  placeOf(chosen: Chosen): [number, number] | null {
    const { view, shots } = this.state;
    const [originX, originY] = view.origin;
    if (chosen.kind === "shot") {
      const e = shots.easting[chosen.index]!;
      if (e === MISSING_PLACE) return null;
      return [e * view.scale, shots.northing[chosen.index]! * view.scale];
    }
    if (chosen.kind === "crossing") {
      const one = view.crossings[chosen.index]!;
      return [one.easting_m - originX, one.northing_m - originY];
    }
    if (chosen.kind === "exposure") {
      const one = view.exposures[chosen.index]!;
      return [one.easting_m - originX, one.northing_m - originY];
    }
    const box = this.boxOf(chosen);
    return box ? [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2] : null;
  }

  boxOf(chosen: Chosen): Path["box"] | null {
    const { view } = this.state;
    const [originX, originY] = view.origin;
    if (chosen.kind === "line") return this.lines[chosen.index]?.axis.box ?? null;
    if (chosen.kind === "dig") return this.digs[chosen.index]?.footprint[0]?.box ?? null;
    if (chosen.kind === "sweep") {
      const { start, end } = view.sweeps[chosen.index]!;
      if (start[0] === null || start[1] === null || end[0] === null || end[1] === null) return null;
      return pathOf(Float64Array.of(
        start[0] - originX, start[1] - originY, end[0] - originX, end[1] - originY,
      )).box;
    }
    const place = this.placeOf(chosen);
    return place ? [place[0], place[1], place[0], place[1]] : null;
  }

  private corners(frame: Frame, chosen: Chosen, colour: string, width: number): void {
    if (chosen.kind === "line") return;
    const box = this.boxOf(chosen);
    if (!box) return;
    const { context } = this;
    const pad = tickHalf(frame.resolution) + 6;
    const [x0, x1] = [screenX(frame, box[0]) - pad, screenX(frame, box[2]) + pad];
    const [y0, y1] = [screenY(frame, box[3]) - pad, screenY(frame, box[1]) + pad];
    const arm = 7;
    context.beginPath();
    for (const [x, y, i, j] of [[x0, y0, 1, 1], [x1, y0, -1, 1], [x1, y1, -1, -1], [x0, y1, 1, -1]] as const) {
      context.moveTo(x + i * arm, y);
      context.lineTo(x, y);
      context.lineTo(x, y + j * arm);
    }
    context.strokeStyle = colour;
    context.lineWidth = width;
    context.stroke();
  }

  // --- names ----------------------------------------------------------------------------------

  private free(x: number, y: number, width: number, height: number): boolean {
    for (const [a, b, c, d] of this.taken) {
      if (x < c && x + width > a && y < d && y + height > b) return false;
    }
    this.taken.push([x, y, x + width, y + height]);
    return true;
  }

  private names(frame: Frame): void {
    const { context, ink, state } = this;
    context.textBaseline = "middle";
    context.textAlign = "center";
    context.font = "600 12px system-ui, sans-serif";
    state.view.lines.forEach((line, k) => {
      const { axis } = this.lines[k]!;
      if (!meets(frame, axis.box)) return;
      const at = spotFor(frame, axis.places);
      if (!at) return;
      const width = context.measureText(line.name).width + 6;
      if (!this.free(at[0] - width / 2, at[1] - 8, width, 16)) return;
      this.halo(line.name, at[0], at[1], ink.utilities[line.utility]!);
    });
    state.view.digs.forEach((dig, k) => {
      const box = this.digs[k]?.footprint[0]?.box;
      if (!box || frame.resolution > 0.4) return;
      const words = `${dig.kind} ${dig.name}`;
      const x = screenX(frame, (box[0] + box[2]) / 2);
      const y = screenY(frame, box[3]) - 10;
      const width = context.measureText(words).width;
      if (this.free(x - width / 2, y - 8, width, 16)) this.halo(words, x, y, ink.ink);
    });
    if (frame.resolution > 0.06 || this.painter.drawn.length > 400 || !this.layers.shots) return;
    context.font = "11px system-ui, sans-serif";
    context.textAlign = "left";
    for (const shot of this.painter.drawn) {
      const [x, y] = tick(frame, state.shots, shot);
      const depth = state.shots.depth[shot]!;
      const number = depth === MISSING_PLACE ? "" : `  ${state.units.number(depth * 1e-4)}`;
      const words = shotName(state.shots, shot) + number;
      const width = words.length * 5.8;
      // On the side of the tick that its line does not run through.
      const bearing = state.shots.line_bearing[shot]!;
      const below = bearing > 0 || bearing === -32768;
      const top = below ? y + 3 : y - 15;
      if (this.free(x + 8, top, width, 13)) this.halo(words, x + 8, top + 6, ink.ink);
    }
  }

  private drawSketch(frame: Frame): void {
    const { context, ink, sketch } = this;
    if (!sketch?.places.length) return;
    const path = pathOf(Float64Array.from(sketch.places.flat()));
    if (sketch.width > 0) {
      context.beginPath();
      trace(context, frame, path, sketch.closed);
      context.lineWidth = sketch.width / frame.resolution;
      context.lineCap = "butt";
      context.globalAlpha = 0.25;
      context.strokeStyle = ink.mark;
      context.stroke();
      context.globalAlpha = 1;
    }
    context.beginPath();
    trace(context, frame, path, sketch.closed);
    context.lineWidth = 1.8;
    context.strokeStyle = ink.mark;
    context.stroke();
    context.fillStyle = ink.mark;
    for (const [x, y] of sketch.places) {
      context.fillRect(screenX(frame, x) - 3, screenY(frame, y) - 3, 6, 6);
    }
    const end = sketch.places[sketch.places.length - 1]!;
    context.font = "600 13px system-ui, sans-serif";
    context.textAlign = "left";
    context.textBaseline = "middle";
    this.halo(sketch.words, screenX(frame, end[0]) + 10, screenY(frame, end[1]) - 12, ink.ink);
  }
}

/** A place for a line's name: the middle of its longest run of vertices in view. */
function spotFor(frame: Frame, places: Float64Array): [number, number] | null {
  let best: [number, number] | null = null;
  let longest = 0;
  let from = -1;
  const count = places.length / 2;
  for (let k = 0; k <= count; k++) {
    const x = k < count ? places[2 * k]! : Infinity;
    const y = k < count ? places[2 * k + 1]! : Infinity;
    const seen = x > frame.west && x < frame.east && y > frame.south && y < frame.north;
    if (seen && from < 0) from = k;
    if (!seen && from >= 0) {
      if (k - from > longest) {
        longest = k - from;
        const middle = Math.floor((from + k - 1) / 2);
        const next = Math.min(middle + 1, k - 1);
        // Half way to the next vertex, so that a name stands off the shots.
        best = [
          screenX(frame, (places[2 * middle]! + places[2 * next]!) / 2),
          screenY(frame, (places[2 * middle + 1]! + places[2 * next + 1]!) / 2),
        ];
      }
      from = -1;
    }
  }
  if (best) return best;
  // No vertex in view: a long straight piece may still pass through.
  for (let k = 0; k + 1 < count; k++) {
    const [ax, ay, bx, by] = [places[2 * k]!, places[2 * k + 1]!, places[2 * k + 2]!, places[2 * k + 3]!];
    const cx = (frame.west + frame.east) / 2;
    const cy = (frame.south + frame.north) / 2;
    const square = (bx - ax) ** 2 + (by - ay) ** 2;
    if (square === 0) continue;
    const t = Math.min(1, Math.max(0, ((cx - ax) * (bx - ax) + (cy - ay) * (by - ay)) / square));
    const [x, y] = [ax + t * (bx - ax), ay + t * (by - ay)];
    if (x > frame.west && x < frame.east && y > frame.south && y < frame.north) {
      return [screenX(frame, x), screenY(frame, y)];
    }
  }
  return null;
}
