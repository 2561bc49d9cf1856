// The sheet's symbols as small drawings beside words.

import { s } from "../dom";
import type { Verdict } from "../model";
import type { State } from "../state";

export function verdictSymbol(verdict: Verdict): SVGElement {
  const box = s("svg", { class: "symbol", viewBox: "0 0 14 18", width: 11, height: 14, "aria-hidden": "true" });
  if (verdict === "doubtful") {
    box.append(s("rect", { x: 4.2, y: 1.5, width: 5.6, height: 15, fill: "none", stroke: "currentColor", "stroke-width": 1.6 }));
  } else {
    box.append(s("path", { d: "M7 1V17", stroke: "currentColor", "stroke-width": 3.4 }));
    if (verdict === "unfit") box.append(s("path", { d: "M0.8 14.5L13.2 3.5", stroke: "currentColor", "stroke-width": 1.7 }));
  }
  return box;
}

export function swatch(state: State, utility: number): SVGElement {
  const [r, g, b] = state.view.utilities[utility]?.rgb ?? [90, 90, 90];
  return s("svg", { class: "swatch", viewBox: "0 0 12 12", width: 11, height: 11, "aria-hidden": "true" },
    s("rect", { x: 0.5, y: 0.5, width: 11, height: 11, rx: 1, fill: `rgb(${r},${g},${b})`, stroke: "currentColor", "stroke-width": 0.8 }));
}
