// The sheet's title block and legend.

import { fill, h } from "../dom";
import type { Sheet } from "../map/sheet";
import type { Layers } from "../map/plan";
import { VERDICTS } from "../model";
import type { State } from "../state";
import { many } from "../units";
import { swatch, verdictSymbol } from "./symbols";

export function titleBlock(state: State, box: HTMLElement): void {
  const draw = (): void => {
    const { view, units } = state;
    const grid = units.grid.symbol === units.length.symbol
      ? `all lengths in ${many(units.length)}`
      : `grid in ${many(units.grid)}, lengths in ${many(units.length)}`;
    fill(box,
      h("p", { class: "block-name" }, view.job.name),
      h("p", {}, `${view.frame.name}${view.frame.code ? ` (${view.frame.code})` : ""}`),
      h("p", {}, grid),
      h("p", { class: "block-fine" }, [view.job.day, view.version].filter(Boolean).join(" · ")),
      view.job.invented ? h("p", { class: "block-fine" }, "Invented demonstration data") : null,
      h("p", { class: "block-caution" }, "Estimates. Other lines may lie anywhere. Gives no leave to dig."));
  };
  state.on("loaded", draw);
  state.on("units", draw);
  draw();
}

const LAYERS: [keyof Layers, string][] = [
  ["shots", "shots"], ["ellipses", "95 % ellipses"], ["envelopes", "envelopes"], ["sweeps", "sweeps"], ["digs", "digs"], ["names", "names"], ["grid", "grid"],
];

export function legend(state: State, sheet: Sheet, box: HTMLElement): void {
  const draw = (): void => {
    const { view } = state;
    const used = new Set(view.lines.map((line) => line.utility));
    state.shots.utility.forEach((utility, k) => {
      if (state.shots.control[k]! < 0) used.add(utility);
    });
    fill(box, h("summary", {}, "Legend"),
      h("div", { class: "legend-body" },
        h("ul", { "aria-label": "Utilities" }, [...used].sort().map((utility) => {
          const card = view.utilities[utility]!;
          return h("li", {}, swatch(state, utility), h("span", {}, `${card.word}`, h("small", {}, ` ${card.hue}`)));
        })),
        h("ul", { "aria-label": "Verdicts" }, VERDICTS.map((verdict) => h("li", {}, verdictSymbol(verdict),
          { sound: "sound", doubtful: "doubtful, dashed ellipse", unfit: "unfit" }[verdict]))),
        h("fieldset", {}, h("legend", {}, "On the sheet"), LAYERS.map(([name, words]) =>
          h("label", { class: "check" }, h("input", {
            type: "checkbox", checked: sheet.plan.layers[name],
            change: (event: Event) => {
              sheet.plan.layers[name] = (event.target as HTMLInputElement).checked;
              sheet.plan.changed();
            },
          }), words)))));
  };
  state.on("loaded", draw);
  draw();
}
