// The sheet: the plan on OpenLayers' map, what is under the pointer, and the scale.

import OlMap from "ol/Map";
import OlView from "ol/View";
import { defaults as controls } from "ol/control/defaults";
import type Layer from "ol/layer/Layer";
import DragPan from "ol/interaction/DragPan";
import MouseWheelZoom from "ol/interaction/MouseWheelZoom";
import PinchZoom from "ol/interaction/PinchZoom";
import Kinetic from "ol/Kinetic";
import type MapBrowserEvent from "ol/MapBrowserEvent";
import { h, part } from "../dom";
import { MISSING_PLACE } from "../model";
import type { Chosen, State } from "../state";
import { many, roundStep } from "../units";
import { Plan } from "./plan";
import { jobProjection } from "./projection";
import { distanceTo, inside } from "./shapes";

/** Something that takes the pointer from choosing: measuring, drawing, a box. */
export interface Tool {
  name: string;
  hint: string;
  click(place: [number, number]): void;
  move?(place: [number, number]): void;
  drag?(from: [number, number], to: [number, number], done: boolean): void;
  back?(): void; // take the last point away
  finish?(): void; // Enter or double click
  cancel(): void;
}

const FINEST = 0.0005;

export class Sheet {
  readonly map: OlMap;
  readonly plan: Plan;
  tool: Tool | null = null;
  onTool: (tool: Tool | null) => void = () => {};
  private readonly view: OlView;
  private dragFrom: [number, number] | null = null;
  private readonly pan: DragPan;
  private clicks: [number[] | undefined, number[] | undefined] = [undefined, undefined];

  constructor(
    private readonly state: State,
    private readonly target: HTMLElement,
  ) {
    this.plan = new Plan(state);
    this.plan.load();
    const projection = jobProjection(state.view);
    this.view = new OlView({
      projection,
      center: [0, 0],
      resolution: 1,
      minResolution: FINEST,
      // A power of two above the finest: OpenLayers rounds the finest to that series.
      maxResolution: FINEST * 2 ** 19,
      constrainResolution: false,
      enableRotation: false,
      smoothResolutionConstraint: false,
    });
    this.pan = new DragPan({ kinetic: new Kinetic(-0.006, 0.05, 100), condition: () => !this.tool?.drag });
    this.map = new OlMap({
      target,
      view: this.view,
      layers: [this.plan.layer],
      controls: controls({ zoom: false, rotate: false, attribution: false }),
      interactions: [
        this.pan,
        new MouseWheelZoom({ constrainResolution: false, duration: 120 }),
        new PinchZoom(),
      ],
      moveTolerance: 3,
    });
    this.fit();
    this.listen();
    state.on("chosen", () => this.plan.changed());
    state.on("filter", () => this.plan.changed());
    state.on("units", () => this.refresh());
    state.on("range", () => this.plan.changed());
    state.on("pointer", (place) => {
      this.plan.pointer = place;
      this.plan.changed();
    });
    state.on("loaded", () => {
      this.plan.load();
      this.refresh();
    });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.restyle());
    new MutationObserver(() => this.restyle()).observe(document.documentElement, {
      attributes: true,
      attributeFilter: ["data-theme"],
    });
    this.map.on("postrender", () => this.scale());
  }

  restyle(): void {
    this.plan.restyle();
    this.plan.changed();
  }

  refresh(): void {
    this.plan.changed();
    this.scale();
  }

  get resolution(): number {
    return this.view.getResolution() ?? 1;
  }

  /** Metres from the origin of a place on the screen. */
  placeAt(pixel: number[]): [number, number] {
    const [e, n] = this.map.getCoordinateFromPixel(pixel) as [number, number];
    const [originX, originY] = this.state.view.origin;
    return [e - originX, n - originY];
  }

  fit(): void {
    const [w, south, e, n] = this.state.view.extent;
    this.map.updateSize();
    this.view.fit([w, south, e, n], { padding: [34, 24, 34, 34], minResolution: 0.01 });
  }

  /** Box in metres from the origin that is in view. */
  seen(): [number, number, number, number] {
    const size = this.map.getSize() ?? [1, 1];
    const [cx, cy] = this.view.getCenter() as [number, number];
    const [originX, originY] = this.state.view.origin;
    const [w, hgt] = [(size[0]! * this.resolution) / 2, (size[1]! * this.resolution) / 2];
    return [cx - originX - w, cy - originY - hgt, cx - originX + w, cy - originY + hgt];
  }

  /** Bring what is chosen into view, and closer if the sheet shows too much. */
  show(chosen: Chosen, closer = false): void {
    const box = this.plan.boxOf(chosen);
    if (!box) return;
    const [originX, originY] = this.state.view.origin;
    const [w, south, e, n] = this.seen();
    const pad = 40 * this.resolution;
    const within = box[0] > w + pad && box[2] < e - pad && box[1] > south + pad && box[3] < n - pad;
    const extent = [box[0] + originX, box[1] + originY, box[2] + originX, box[3] + originY];
    if (chosen.kind === "line" || chosen.kind === "dig" || chosen.kind === "sweep") {
      if (within && !closer) return;
      this.view.fit(extent, {
        padding: [70, 70, 70, 70], minResolution: chosen.kind === "line" ? 0.02 : 0.008, duration: motion(220),
      });
      return;
    }
    if (within && !closer) return;
    const center = [(extent[0]! + extent[2]!) / 2, (extent[1]! + extent[3]!) / 2];
    this.view.animate({
      center,
      resolution: closer ? Math.min(this.resolution, 0.02) : this.resolution,
      duration: motion(220),
    });
  }

  /** Show a place at a resolution, at once: used by links, prints and measurements of speed. */
  goto(easting: number, northing: number, resolution: number): void {
    this.view.setCenter([easting, northing]);
    this.view.setResolution(resolution);
    this.map.renderSync();
  }

  zoom(factor: number): void {
    this.view.animate({ resolution: Math.max(FINEST, this.resolution * factor), duration: motion(150) });
  }

  setTool(tool: Tool | null): void {
    if (this.tool === tool) return;
    const before = this.tool;
    this.tool = null;
    before?.cancel();
    this.tool = tool;
    this.target.classList.toggle("drawing", tool !== null);
    part("tool-hint").textContent = tool?.hint ?? "";
    part("tool-hint").hidden = !tool;
    this.onTool(tool);
    this.plan.changed();
  }

  setBackground(layers: Layer[]): void {
    for (const layer of this.map.getLayers().getArray().slice()) {
      if (layer !== this.plan.layer) this.map.removeLayer(layer);
    }
    layers.forEach((layer, k) => this.map.getLayers().insertAt(k, layer));
  }

  // --- pointer and keys -----------------------------------------------------------------------

  private listen(): void {
    const { map, target, state } = this;
    map.on("pointermove", (event: MapBrowserEvent) => {
      if (event.dragging) return;
      const place = this.placeAt(event.pixel);
      this.coordinates(place);
      if (this.tool) {
        this.tool.move?.(place);
        return;
      }
      const under = this.under(place);
      const before = this.plan.hover;
      if (under?.kind !== before?.kind || under?.index !== before?.index) {
        this.plan.hover = under;
        target.style.cursor = under ? "pointer" : "";
        target.title = under ? `${under.kind} ${state.nameOf(under)}` : "";
        this.plan.changed();
      }
    });
    map.on("singleclick", (event: MapBrowserEvent) => {
      if (this.tool) return;
      const under = this.under(this.placeAt(event.pixel), touch(event) ? 18 : 9);
      const original = event.originalEvent as PointerEvent;
      if (original.shiftKey && under?.kind === "shot") {
        const range = new Set(state.range);
        if (!range.delete(under.index)) range.add(under.index);
        state.setRange(range);
        return;
      }
      state.choose(under);
    });
    map.on("click", (event: MapBrowserEvent) => {
      target.focus({ preventScroll: true });
      this.clicks = [this.clicks[1], event.pixel];
      if (this.tool && !this.tool.drag) this.tool.click(this.placeAt(event.pixel));
    });
    map.on("dblclick", (event: MapBrowserEvent) => {
      // OpenLayers takes two quick clicks for a double click wherever they are.
      const [a, b] = this.clicks;
      if (a && b && Math.hypot(a[0]! - b[0]!, a[1]! - b[1]!) > 8) return;
      if (this.tool?.finish) {
        this.tool.back?.(); // the double click's second point
        this.tool.finish();
      } else if (!this.tool) {
        this.view.animate({ resolution: this.resolution / 2, center: event.coordinate, duration: motion(150) });
      }
    });
    target.addEventListener("pointerdown", (event) => {
      if (!this.tool?.drag) return;
      this.dragFrom = this.placeAt(map.getEventPixel(event));
      target.setPointerCapture(event.pointerId);
    });
    target.addEventListener("pointermove", (event) => {
      if (!this.tool?.drag || !this.dragFrom) return;
      this.tool.drag(this.dragFrom, this.placeAt(map.getEventPixel(event)), false);
    });
    target.addEventListener("pointerup", (event) => {
      if (!this.tool?.drag || !this.dragFrom) return;
      const from = this.dragFrom;
      this.dragFrom = null;
      this.tool.drag(from, this.placeAt(map.getEventPixel(event)), true);
    });
    target.addEventListener("pointerleave", () => {
      if (this.plan.hover) {
        this.plan.hover = null;
        this.plan.changed();
      }
    });
    target.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => map.updateSize()).observe(target);
  }

  private key(event: KeyboardEvent): void {
    const { state } = this;
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const moves: Record<string, [number, number]> = {
      ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1],
    };
    const move = moves[event.key];
    if (move) {
      event.preventDefault();
      if (state.chosen?.kind === "shot" && !event.shiftKey && !this.tool) {
        const step = event.key === "ArrowRight" || event.key === "ArrowDown" ? 1 : -1;
        const chosen: Chosen = { kind: "shot", index: state.neighbour(state.chosen.index, step) };
        state.choose(chosen);
        this.show(chosen);
        return;
      }
      const center = this.view.getCenter() as [number, number];
      const by = 90 * this.resolution;
      this.view.setCenter([center[0] + move[0] * by, center[1] + move[1] * by]);
      return;
    }
    if (event.key === "+" || event.key === "=") this.zoom(1 / 1.6);
    else if (event.key === "-") this.zoom(1.6);
    else if (event.key === "0") this.fit();
    else if (event.key === "Enter") this.tool?.finish?.();
    else if (event.key === "Backspace") this.tool?.back?.();
    else return;
    event.preventDefault();
  }

  /** What is under a place: the smallest thing first. */
  under([x, y]: [number, number], reach = 9): Chosen | null {
    const { state, plan } = this;
    const near = reach * this.resolution;
    const { shots, view } = state;
    const [originX, originY] = view.origin;
    if (plan.layers.shots) {
      let best = -1;
      let least = near;
      const [cx, cy, r] = [x / view.scale, y / view.scale, near / view.scale];
      state.places.within(cx - r, cy - r, cx + r, cy + r, (shot) => {
        if (!state.shown[shot] || shots.easting[shot] === MISSING_PLACE) return;
        const away = Math.hypot(shots.easting[shot]! * view.scale - x, shots.northing[shot]! * view.scale - y);
        if (away < least) [best, least] = [shot, away];
      });
      if (best >= 0) return { kind: "shot", index: best };
    }
    const pointLike = (kind: "exposure" | "crossing", list: { easting_m: number; northing_m: number }[]): Chosen | null => {
      const index = list.findIndex(
        (one) => Math.hypot(one.easting_m - originX - x, one.northing_m - originY - y) < near,
      );
      return index >= 0 ? { kind, index } : null;
    };
    const point = pointLike("exposure", view.exposures) ?? (this.resolution < 0.6 ? pointLike("crossing", view.crossings) : null);
    if (point) return point;
    for (let k = 0; k < view.sweeps.length && this.resolution < 0.5; k++) {
      const { start, end } = view.sweeps[k]!;
      if (start[0] === null || start[1] === null || end[0] === null || end[1] === null) continue;
      const places = Float64Array.of(start[0] - originX, start[1] - originY, end[0] - originX, end[1] - originY);
      if (distanceTo({ places, box: [0, 0, 0, 0] }, x, y) < near * 0.7) return { kind: "sweep", index: k };
    }
    let line = -1;
    let least = near;
    plan.lines.forEach(({ axis }, k) => {
      const [w, south, e, n] = axis.box;
      if (x < w - near || x > e + near || y < south - near || y > n + near) return;
      const away = distanceTo(axis, x, y);
      if (away < least) [line, least] = [k, away];
    });
    if (line >= 0) return { kind: "line", index: line };
    const dig = plan.digs.findIndex(({ footprint }) => footprint.some((ring) => inside(ring, x, y)));
    return dig >= 0 ? { kind: "dig", index: dig } : null;
  }

  private coordinates([x, y]: [number, number]): void {
    const { state } = this;
    const [originX, originY] = state.view.origin;
    const digits = this.resolution < 0.02 ? 3 : this.resolution < 0.2 ? 2 : 1;
    part("coordinates").textContent =
      `E ${state.units.coordinate(x + originX, digits)}  N ${state.units.coordinate(y + originY, digits)} ${state.units.grid.symbol}`;
  }

  /** The scale bar: two fields of a round length. */
  private scale(): void {
    const { state, resolution } = this;
    const unit = state.units.length;
    const step = roundStep((56 * resolution) / unit.metres);
    const pixels = (step * unit.metres) / resolution;
    const bar = part("scale-bar");
    const words = `${trim(step)}|${trim(2 * step)} ${unit.symbol}|${pixels.toFixed(1)}`;
    if (bar.dataset["now"] === words) return;
    bar.dataset["now"] = words;
    bar.replaceChildren(
      h("span", { class: "bar-row" },
        h("span", { class: "bar" },
          h("i", { class: "full", style: `width:${pixels}px` }),
          h("i", { class: "open", style: `width:${pixels}px` })),
        unit.symbol),
      h("span", { class: "numbers", style: `width:${2 * pixels}px` },
        h("b", {}, "0"), h("b", {}, trim(step)), h("b", {}, trim(2 * step))),
    );
    bar.setAttribute("aria-label", `Scale bar: ${trim(2 * step)} ${many(unit)}`);
  }
}

const trim = (value: number): string => String(Number(value.toPrecision(3)));
const touch = (event: MapBrowserEvent): boolean => (event.originalEvent as PointerEvent).pointerType === "touch";

/** No animation for those who asked their system for none. */
export function motion(milliseconds: number): number {
  return matchMedia("(prefers-reduced-motion: reduce)").matches ? 0 : milliseconds;
}
