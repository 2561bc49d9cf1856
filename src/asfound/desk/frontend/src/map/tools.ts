// Tools on the sheet: measuring, choosing shots in a box, drawing a dig, pointing at a place.

import { announce } from "../dom";
import type { State } from "../state";
import type { Sheet, Tool } from "./sheet";

type Place = [number, number];

export function measureTool(sheet: Sheet, state: State): Tool {
  const places: Place[] = [];
  let at: Place | null = null;
  let done = false;
  const show = (): void => {
    const all = at && !done ? [...places, at] : places;
    let total = 0;
    for (let k = 1; k < all.length; k++) total += Math.hypot(all[k]![0] - all[k - 1]![0], all[k]![1] - all[k - 1]![1]);
    const last = all.length > 1 ? Math.hypot(all.at(-1)![0] - all.at(-2)![0], all.at(-1)![1] - all.at(-2)![1]) : 0;
    const words = all.length < 2
      ? ""
      : all.length > 2
        ? `${state.units.say(last)}, in all ${state.units.say(total)} on the grid`
        : `${state.units.say(total)} on the grid`;
    sheet.plan.sketch = { places: all, closed: false, width: 0, words };
    sheet.plan.changed();
    if (done) announce(words);
  };
  return {
    name: "measure",
    hint: "Click points to measure along them. Enter or double click ends, Backspace takes a point away, Esc stops.",
    click(place) {
      if (done) {
        places.length = 0;
        done = false;
      }
      places.push(place);
      show();
    },
    move(place) {
      at = place;
      if (places.length && !done) show();
    },
    back() {
      places.pop();
      show();
    },
    finish() {
      done = true;
      show();
    },
    cancel() {
      sheet.plan.sketch = null;
      sheet.plan.changed();
    },
  };
}

export function boxTool(sheet: Sheet, state: State): Tool {
  return {
    name: "box",
    hint: "Drag a box over the shots that you want to set, accept or reject. Esc stops.",
    click() {},
    drag(from, to, done) {
      const box: [number, number, number, number] = [
        Math.min(from[0], to[0]), Math.min(from[1], to[1]), Math.max(from[0], to[0]), Math.max(from[1], to[1]),
      ];
      sheet.plan.box = done ? null : box;
      if (done) {
        const { scale } = state.view;
        const found: number[] = [];
        state.places.within(box[0] / scale, box[1] / scale, box[2] / scale, box[3] / scale, (shot) => {
          if (state.shown[shot]) found.push(shot);
        });
        state.setRange(found);
        announce(`${found.length} shots chosen.`);
        sheet.setTool(null);
      }
      sheet.plan.changed();
    },
    cancel() {
      sheet.plan.box = null;
    },
  };
}

/** Draws the axis or the corners of a dig; `done` gets metres of the grid. */
export function drawTool(
  sheet: Sheet,
  state: State,
  kind: "trench" | "bore" | "pit" | "post" | "place",
  width: () => number,
  done: (places: Place[]) => void,
): Tool {
  const places: Place[] = [];
  let at: Place | null = null;
  let ended = false;
  const single = kind === "post" || kind === "place";
  const closed = kind === "pit";
  const show = (): void => {
    const all = at && !ended ? [...places, at] : places;
    let total = 0;
    for (let k = 1; k < all.length; k++) total += Math.hypot(all[k]![0] - all[k - 1]![0], all[k]![1] - all[k - 1]![1]);
    sheet.plan.sketch = {
      places: all,
      closed,
      width: kind === "trench" || kind === "bore" ? width() : 0,
      words: all.length > 1 && !closed ? state.units.say(total) : "",
    };
    sheet.plan.changed();
  };
  const end = (): void => {
    const least = single ? 1 : closed ? 3 : 2;
    if (places.length < least) {
      announce(`${least} points are needed.`);
      return;
    }
    ended = true;
    show();
    const [originX, originY] = state.view.origin;
    done(places.map(([x, y]) => [x + originX, y + originY]));
  };
  return {
    name: kind,
    hint: single
      ? "Click the place on the sheet. Esc stops."
      : closed
        ? "Click the corners; Enter or double click ends. Backspace takes a point away, Esc stops."
        : "Click along the axis; Enter or double click ends. Backspace takes a point away, Esc stops.",
    click(place) {
      if (ended) return;
      places.push(place);
      show();
      if (single) end();
    },
    move(place) {
      at = place;
      if (places.length && !ended) show();
    },
    back() {
      if (!ended) places.pop();
      show();
    },
    finish: end,
    cancel() {
      sheet.plan.sketch = null;
      sheet.plan.changed();
    },
  };
}
