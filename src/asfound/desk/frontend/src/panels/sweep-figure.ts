// A sweep: readings with the fitted curve above, ground and conductors to scale below.

import { s } from "../dom";
import type { SweepDetail } from "../model";
import type { State } from "../state";
import { decimalsOf, roundStep } from "../units";

const WIDTH = 400;
const LEFT = 38;
const RIGHT = 8;
const TOP = 14;
const CURVES = 130;
const GAP = 18;

export function sweepFigure(sweep: SweepDetail, state: State): Node {
  const { units } = state;
  const positions = sweep.curve_position_m.map((v) => v ?? 0);
  const low = Math.min(...positions);
  const high = Math.max(...positions);
  const per = (WIDTH - LEFT - RIGHT) / Math.max(high - low, 1e-6);
  const x = (position: number): number => LEFT + (position - low) * per;
  const values = sweep.series.flatMap((one) => [...one.value, ...one.curve]).filter((v): v is number => v !== null);
  const bottom = sweep.unit === "dB" ? Math.min(...values) : 0;
  const top = Math.max(...values, bottom + 1e-9);
  const y = (value: number): number => TOP + CURVES * (1 - (value - bottom) / (top - bottom));
  const deepest = Math.max(0.5, ...sweep.conductors.map((one) => one.depth_m + (one.depth_95_m ?? 0))) * 1.12;
  const ground = TOP + CURVES + GAP + 12;
  const height = ground + deepest * per + 22;
  const z = (depth: number): number => ground + depth * per;
  const parts: Node[] = [];
  const put = (tag: string, attributes: Parameters<typeof s>[1], ...children: Parameters<typeof s>[2][]): void => {
    parts.push(s(tag, attributes, ...children));
  };
  const level = roundStep((top - bottom) / 4);
  for (let v = Math.ceil(bottom / level) * level; v <= top; v += level) {
    put("path", { d: `M${LEFT} ${y(v)}H${WIDTH - RIGHT}`, class: "pale" });
    put("text", { x: LEFT - 4, y: y(v) + 3.5, class: "figure", "text-anchor": "end" }, v.toFixed(decimalsOf(level)));
  }
  put("text", { x: LEFT, y: 9, class: "figure" }, `reading, ${sweep.unit === "percent" ? "%" : sweep.unit}`);
  sweep.series.forEach((one, k) => {
    const run = one.curve.map((v, i) => (v === null ? "" : `${x(positions[i]!).toFixed(1)} ${y(v).toFixed(1)}`)).filter(Boolean);
    if (run.length) put("path", { d: `M${run.join("L")}`, class: "curve", "stroke-dasharray": k ? "5 3" : null });
    one.position_m.forEach((position, i) => {
      const value = one.value[i];
      if (position === null || value === null || value === undefined) return;
      const [px, py] = [x(position), y(value)];
      if (one.left_out[i]) put("path", { d: `M${px - 3} ${py - 3}l6 6m0 -6l-6 6`, class: "mark" });
      else put(k % 2 ? "rect" : "circle", k % 2 ? { x: px - 2.6, y: py - 2.6, width: 5.2, height: 5.2, class: "mark open" } : { cx: px, cy: py, r: 2.8, class: "mark" });
    });
  });
  const unit = units.length.metres;
  const step = roundStep((high - low) / 6 / unit);
  for (let k = Math.ceil(low / (step * unit)); k * step * unit <= high; k++) {
    const px = x(k * step * unit);
    put("path", { d: `M${px} ${TOP + CURVES}v5`, class: "axis" });
    put("text", { x: px, y: TOP + CURVES + 15, class: "figure", "text-anchor": "middle" }, (k * step).toFixed(decimalsOf(step)));
  }
  put("path", { d: `M${LEFT} ${ground}H${WIDTH - RIGHT}`, class: "ground" });
  const rung = roundStep(deepest / 3 / unit);
  for (let k = 1; k * rung * unit < deepest; k++) {
    put("path", { d: `M${LEFT} ${z(k * rung * unit)}H${WIDTH - RIGHT}`, class: "pale" });
    put("text", { x: LEFT - 4, y: z(k * rung * unit) + 3.5, class: "figure", "text-anchor": "end" }, (k * rung).toFixed(decimalsOf(rung)));
  }
  sweep.conductors.forEach((one, k) => {
    const target = k === sweep.target;
    put("ellipse", {
      cx: x(one.position_m), cy: z(one.depth_m), rx: Math.max(1.5, (one.position_95_m ?? 0) * per), ry: Math.max(1.5, (one.depth_95_m ?? 0) * per),
      class: target ? "region" : "region other",
    });
    put("circle", { cx: x(one.position_m), cy: z(one.depth_m), r: 3.4, class: target ? "mark" : "mark open" });
  });
  if (sweep.shown_peak_m !== null && sweep.shown_depth_m !== null) {
    const [px, py] = [x(sweep.shown_peak_m), z(sweep.shown_depth_m)];
    put("path", { d: `M${px - 5} ${py}h10M${px} ${py - 5}v10`, class: "axis" });
    put("text", { x: px + 7, y: py - 4, class: "figure" }, "receiver alone");
  }
  const label = `Readings of sweep ${sweep.sweep} with the fitted curve; conductors: ${sweep.conductors.map((one) => `${units.say(one.depth_m)} deep at ${units.say(one.position_m)}`).join("; ") || "none found"}`;
  return s("svg", { viewBox: `0 0 ${WIDTH} ${height.toFixed(0)}`, class: "drawing", role: "img", "aria-label": label }, parts,
    s("text", { x: LEFT, y: height - 5, class: "figure" }, `along the tape and below ground, ${units.length.symbol}; ● the line ○ another`));
}
