// Printing to paper or PDF: the sheet is drawn anew at a round scale for the paper's size.

import { fill, h, part } from "./dom";
import type { Sheet } from "./map/sheet";
import type { State } from "./state";

const SCALES = [10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 2500, 5000, 10_000];
const FEET_AN_INCH = [1, 2, 4, 5, 10, 20, 30, 40, 50, 60, 100, 200, 300, 400, 500];
const PIXEL = 0.0254 / 96; // of CSS, on paper [m]
const WIDTH = 960; // what a landscape page of Letter or A4 holds between its margins [px]
const HEIGHT = 540;

export function preparePrint(state: State, sheet: Sheet): void {
  const target = part("sheet");
  let before = 0;
  window.addEventListener("beforeprint", () => {
    before = sheet.resolution;
    const size = sheet.map.getSize() ?? [WIDTH, HEIGHT];
    const wanted = Math.max((size[0]! * before) / WIDTH, (size[1]! * before) / HEIGHT);
    const { resolution, words } = roundScale(state, wanted);
    target.style.width = `${WIDTH}px`;
    target.style.height = `${HEIGHT}px`;
    sheet.map.updateSize();
    sheet.map.getView().setResolution(resolution);
    sheet.map.renderSync();
    const { view } = state;
    fill(part("print-note"),
      h("p", {}, h("b", {}, `Scale ${words} `), `on landscape paper printed at its full size. ${view.uncertainty}`),
      h("ul", {}, view.cautions.map((one) => h("li", {}, one))));
  });
  window.addEventListener("afterprint", () => {
    target.style.width = "";
    target.style.height = "";
    sheet.map.updateSize();
    sheet.map.getView().setResolution(before);
    sheet.map.renderSync();
  });
}

/** The nearest round scale that still holds what was seen. */
function roundScale(state: State, wanted: number): { resolution: number; words: string } {
  const { length } = state.units;
  if (length.code === "m") {
    const scale = SCALES.find((one) => one * PIXEL >= wanted) ?? SCALES.at(-1)!;
    return { resolution: scale * PIXEL, words: `1:${scale}` };
  }
  const feet = FEET_AN_INCH.find((one) => (one * length.metres) / 96 >= wanted) ?? FEET_AN_INCH.at(-1)!;
  return { resolution: (feet * length.metres) / 96, words: `1 inch = ${feet} ${length.symbol}` };
}
