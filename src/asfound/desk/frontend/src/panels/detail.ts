// What is chosen, in full: a shot's values and error budget, a sweep's fit, a dig's clearances.

import { fetchJson, Trouble } from "../api";
import { type Child, facts, fill, h, part, s } from "../dom";
import type { Sheet } from "../map/sheet";
import type { BudgetTerm, DigClearance, Finding, LineDetail, ShotDetail, SweepDetail } from "../model";
import type { Chosen, State } from "../state";
import { chance } from "../units";
import { link } from "./lists";
import { sweepFigure } from "./sweep-figure";
import { verdictSymbol } from "./symbols";

export interface Deeds {
  decide(shot: number, kind: "accept" | "reject"): void;
  line(kind: "rename" | "split" | "join", index: number): void;
  removeDig(kind: string, name: string): void;
  undo(id: string): void;
}

export class DetailPanel {
  private asked = 0;

  constructor(
    private readonly state: State,
    private readonly sheet: Sheet,
    private readonly panel: HTMLElement,
    private readonly deeds: Deeds,
  ) {
    state.on("chosen", () => void this.show());
    state.on("units", () => void this.show());
    void this.show();
  }

  private async show(): Promise<void> {
    const { state, panel } = this;
    const { chosen } = state;
    const asked = ++this.asked;
    document.body.classList.toggle("has-chosen", chosen !== null);
    if (!chosen) {
      fill(panel, h("p", { class: "empty" }, "Choose a shot, a line, a sweep or a dig on the sheet or in a table. Arrow keys go along a line, / searches, Esc lets go."));
      return;
    }
    try {
      const body = await this.body(chosen);
      if (asked !== this.asked) return;
      fill(panel, this.heading(chosen), body);
      panel.scrollTop = 0;
    } catch (error) {
      if (asked !== this.asked) return;
      const words = error instanceof Trouble ? `${error.title} ${error.remedy}` : "This can't be shown. Load the page again.";
      fill(panel, this.heading(chosen), h("p", { class: "trouble", role: "alert" }, words));
    }
  }

  private heading(chosen: Chosen): HTMLElement {
    const { state, sheet } = this;
    const name = state.nameOf(chosen);
    const kind = chosen.kind === "dig" ? (state.view.digs[chosen.index]?.kind ?? "dig") : chosen.kind;
    return h("header", { class: "detail-head" },
      h("h2", { id: "detail-title" }, `${kind[0]!.toUpperCase()}${kind.slice(1)} ${name}`),
      h("span", { class: "deeds" },
        h("button", { type: "button", click: () => {
          sheet.show(chosen, true);
          part("sheet-frame").scrollIntoView({ block: "nearest" });
        } }, "Show"),
        h("button", { type: "button", "aria-label": "Close", click: () => state.choose(null) }, "Close")));
  }

  private async body(chosen: Chosen): Promise<Child> {
    const { state } = this;
    if (chosen.kind === "shot") return this.shot(await state.api.get<ShotDetail>(`shots/${encodeURIComponent(state.nameOf(chosen))}`), chosen.index);
    if (chosen.kind === "line") return this.line(await fetchJson<LineDetail>(`${state.viewBase}profiles/${chosen.index}.json`));
    if (chosen.kind === "sweep") return this.sweep(await fetchJson<SweepDetail>(`${state.viewBase}sweeps/${chosen.index}.json`));
    if (chosen.kind === "dig") return this.dig(state.view.digs[chosen.index]!.clearance, chosen.index);
    if (chosen.kind === "exposure") return this.exposure(chosen.index);
    return this.crossing(chosen.index);
  }

  // --- shot -----------------------------------------------------------------------------------

  private shot(shot: ShotDetail, index: number): Child {
    const { state, sheet } = this;
    const { units } = state;
    const where = shot.easting_m === null || shot.northing_m === null
      ? "no position"
      : `E ${units.coordinate(shot.easting_m)}, N ${units.coordinate(shot.northing_m)} ${units.grid.symbol}`;
    const check = shot.control_check;
    const line = state.shots.line[index]!;
    return [
      h("p", { class: "lead" }, h("span", { class: "verdict" }, verdictSymbol(shot.verdict), shot.verdict), " · ", shot.utility,
        shot.line ? [" · line ", link(state, sheet, { kind: "line", index: line }, shot.line)] : shot.control ? ` · check on ${shot.control}` : " · on no line"),
      shot.findings.length ? this.findings(shot.findings) : h("p", {}, "No rule objects to this shot."),
      this.decisions(shot, index),
      h("p", { class: "said-95" },
        shot.control ? null : `The conductor's centre lies within ${units.say(shot.horizontal_95_m)} sideways`,
        shot.control ? null : shot.vertical_95_m === null ? "; its height is not known." : ` and ${units.say(shot.vertical_95_m)} in height, with 95 % each.`),
      check ? h("p", {}, check.known
        ? `Measured less known on ${check.point}: ${units.say(check.east_m, 3)} east, ${units.say(check.north_m, 3)} north, ${units.say(check.up_m, 3)} up.`
        : `The job's settings hold no coordinates of ${check.point}.`) : null,
      facts([
        ["Depth to centre", shot.depth_m === null ? "" : units.say(shot.depth_m)],
        ["Depth from", shot.depth_from ? `${units.sentence(shot.depth_from)}; the receiver read ${units.say(shot.depth_read_m)}` : ""],
        ["Moved left", shot.moved_left_m ? units.say(shot.moved_left_m) : ""],
        ["Ground point", where],
        ["Ground height", shot.ground_height_m === null ? "" : `${units.say(shot.ground_height_m, 3)} (${shot.vertical_reference})`],
        ["Centre height", shot.centre_height_m === null ? "" : units.say(shot.centre_height_m, 3)],
        ["Logged", shot.time ? shot.time.replace("T", " ").replace("Z", " UTC") : ""],
        ["Fix", [shot.fix === "not recorded" ? "" : shot.fix, shot.satellites === null ? "" : `${shot.satellites} satellites`,
          shot.correction_age_s === null ? "" : `correction ${shot.correction_age_s} s old`].filter(Boolean).join(", ")],
        ["Hook-up", [shot.hookup, shot.method === "unknown" ? "" : shot.method].filter(Boolean).join(", ")],
        ["Signal", [shot.current_a === null ? "" : `${(shot.current_a * 1000).toFixed(1)} mA`,
          shot.frequency_hz === null ? "" : `${shot.frequency_hz} Hz`,
          shot.signal_db === null ? "" : `${shot.signal_db} dB`].filter(Boolean).join(", ")],
        ["Peak to null", shot.peak_null_separation_m === null ? "" : units.say(shot.peak_null_separation_m)],
        ["Antenna height", shot.antenna_height_m === null ? "" : units.say(shot.antenna_height_m, 3)],
        ["Tilt", shot.tilt_deg === null ? "" : `${shot.tilt_deg}°`],
        ["Receiver", shot.receiver],
        ["Note", shot.note],
      ]),
      h("h3", {}, "What makes it uncertain"),
      budgetFigure(shot.budget, this.state),
      shot.raw.length ? h("details", { class: "raw" },
        h("summary", {}, `As received: ${shot.file}, line ${shot.file_line}`),
        h("dl", { class: "facts" }, shot.raw.map(({ column, cell }) =>
          h("div", {}, h("dt", {}, column), h("dd", {}, cell || "empty")))))
        : h("p", { class: "basis" }, `${shot.file}, line ${shot.file_line}`),
      h("p", { class: "basis" }, `Brought to the job's frame by: ${shot.operation}.`),
    ];
  }

  private findings(findings: Finding[]): HTMLElement {
    const { units } = this.state;
    return h("ul", { class: "findings" }, findings.map((one) =>
      h("li", { class: one.severity },
        h("span", { class: "severity" }, one.severity), " ", h("b", {}, one.title), ". ", units.sentence(one.detail),
        h("p", { class: "remedy" }, h("b", {}, "What to do: "), units.sentence(one.remedy)))));
  }

  private decisions(shot: ShotDetail, index: number): Child {
    const { may } = this.state;
    return [
      shot.decisions.length ? h("ul", { class: "decided" }, shot.decisions.map((one) =>
        h("li", {}, `${one.who}, ${one.when.slice(0, 10)}: ${one.kind}${one.value ? ` ${one.value}` : ""}, because: ${one.why}`, " ",
          may.work ? h("button", { type: "button", class: "link", click: () => this.deeds.undo(one.id) }, "Take it back …") : null))) : null,
      may.judge ? h("p", { class: "deeds" },
        h("button", { type: "button", click: () => this.deeds.decide(index, "accept") }, "Accept …"),
        h("button", { type: "button", click: () => this.deeds.decide(index, "reject") }, "Reject …")) : null,
    ];
  }

  // --- line -----------------------------------------------------------------------------------

  private line(line: LineDetail): Child {
    const { state, sheet } = this;
    const { units } = state;
    const current = line.current;
    return [
      h("p", { class: "lead" }, h("span", { class: "verdict" }, verdictSymbol(line.verdict), line.verdict), ` · ${line.utility} · ${line.shots.index.length} shots · ${units.say(line.length_m, 1)}`),
      line.findings.length ? this.findings(line.findings) : null,
      state.may.work ? h("p", { class: "deeds" },
        h("button", { type: "button", click: () => this.deeds.line("rename", line.index) }, "Rename …"),
        h("button", { type: "button", click: () => this.deeds.line("split", line.index) }, "Split …"),
        h("button", { type: "button", click: () => this.deeds.line("join", line.index) }, "Join …")) : null,
      facts([
        ["Outside diameter", line.outside_diameter_m === null ? "not declared: depths are to the centre" : units.say(line.outside_diameter_m, 3)],
        ["Not supported", line.gaps_m.map(([a, b]) => `${units.say(a, 1)} to ${units.say(b, 1)}`).join(", ")],
        ["Bends", line.bends.length > 8 ? `${line.bends.length}` : line.bends.map((one) => `${units.say(one.station_m, 1)}: ${Math.abs(one.deflection_deg).toFixed(0)}° ${one.deflection_deg > 0 ? "right" : "left"}`).join(", ")],
        ["Current", current?.decay_length_m ? `falls to a third in about ${units.say(Math.abs(current.decay_length_m), 0)}` : ""],
        ["Steps of current", current?.events.map((one) => `${one.kind} at ${units.say(one.station_m, 1)}${one.ratio ? `, to ${(100 * one.ratio).toFixed(0)} %` : ""}`).join("; ")],
      ]),
      line.crossings.length ? [h("h3", {}, "Crossings"), h("ul", { class: "plain" }, line.crossings.map((one) => {
        const index = state.view.crossings.findIndex((c) => c.easting_m === one.easting_m && c.northing_m === one.northing_m);
        return h("li", {}, link(state, sheet, { kind: "crossing", index }, `${one.upper} over ${one.lower}`),
          one.separation_m === null ? "" : ` by ${units.say(one.separation_m)} ± ${units.say(one.separation_95_m)}`);
      }))] : null,
      h("p", { class: "basis" }, "The profile stands under the sheet."),
    ];
  }

  // --- sweep, dig, crossing, exposure -----------------------------------------------------------

  private sweep(sweep: SweepDetail): Child {
    const { units } = this.state;
    return [
      h("p", { class: "lead" }, sweep.line ? `across ${sweep.line}` : "across no assembled line", " · ",
        sweep.usable ? (sweep.explained ? "explained" : "not explained: nothing is taken from it") : "not usable"),
      sweep.reason ? h("p", { class: "trouble" }, units.sentence(sweep.reason)) : null,
      sweepFigure(sweep, this.state),
      sweep.conductors.length ? h("table", {},
        h("caption", {}, "Conductors, along the tape and from the ground to their centre, each ± 95 %."),
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, ""), ...[`Place ${units.length.symbol}`, `Depth ${units.length.symbol}`, "Current"].map((t) => h("th", { scope: "col", class: "number" }, t)))),
        h("tbody", {}, sweep.conductors.map((one, k) => h("tr", {},
          h("th", { scope: "row" }, k === sweep.target ? "the line" : "another"),
          h("td", { class: "number" }, `${units.number(one.position_m)} ± ${units.number(one.position_95_m)}`),
          h("td", { class: "number" }, `${units.number(one.depth_m)} ± ${units.number(one.depth_95_m)}`),
          h("td", { class: "number" }, one.current_a.toPrecision(3)))))) : null,
      sweep.shown_depth_m !== null ? h("p", {}, `A receiver that assumes one conductor shows ${units.say(sweep.shown_depth_m)} depth at ${units.say(sweep.shown_peak_m)} on the tape.`) : null,
      sweep.words.length ? h("ul", { class: "plain" }, sweep.words.map((words) => h("li", {}, units.sentence(words)))) : null,
      sweep.corrected.length ? [h("h3", {}, "Shots that follow this sweep"), h("ul", { class: "plain" }, sweep.corrected.map((one) =>
        h("li", {}, link(this.state, this.sheet, { kind: "shot", index: one.index }, one.shot), ` moved ${units.say(Math.abs(one.moved_left_m))} ${one.moved_left_m > 0 ? "left" : "right"}, depth ${units.say(one.depth_before_m)} to ${units.say(one.depth_m)}`)))] : null,
    ];
  }

  private dig(dig: DigClearance, index: number): Child {
    const { state, sheet } = this;
    const { units } = state;
    return [
      h("p", { class: "lead" }, dig.installs === "unknown" ? "" : `for ${dig.installs}`),
      dig.words.map((words) => h("p", {}, units.sentence(words))),
      dig.approaches.length ? null : h("p", {}, "No located line within reach. That says nothing of lines that were not located."),
      dig.approaches.map((near) => h("section", { class: "approach" },
        h("h3", {}, near.line_index < state.view.lines.length ? link(state, sheet, { kind: "line", index: near.line_index }, near.line) : near.line, ` · ${near.utility}${near.source === "records" ? " · from records only" : ""}`),
        clearanceBar(near.clearance_5_m, near.clearance_m, near.clearance_95_m, state),
        facts([
          ["Clearance", `${units.say(near.clearance_m)}; with 90 % between ${units.say(near.clearance_5_m)} and ${units.say(near.clearance_95_m)}`],
          ["In plan and height", `${units.say(near.horizontal_m)} and ${units.say(near.vertical_m)}, the line ${near.line_below ? "lies below the dig there" : "does not lie below the dig there"}`],
          ["Chance of contact", chance(near.p_contact)],
          ["Required", near.rules.map((rule) => `${rule.title}: not kept with ${chance(rule.p_breach)}${rule.citation ? ` (${rule.citation})` : ""}`).join("; ")],
        ]),
        near.words.map((words) => h("p", {}, units.sentence(words))))),
      state.may.work ? h("p", { class: "deeds" }, h("button", { type: "button", click: () => this.deeds.removeDig(dig.kind === "milling" ? "trench" : dig.kind, dig.name) }, "Remove this dig …")) : null,
      h("ul", { class: "cautions" }, dig.cautions.map((words) => h("li", {}, words))),
      h("span", { hidden: true }, index),
    ];
  }

  private crossing(index: number): Child {
    const { state, sheet } = this;
    const { units } = state;
    const one = state.view.crossings[index]!;
    return [
      h("p", { class: "lead" }, link(state, sheet, { kind: "line", index: one.upper_index }, one.upper), " above ", link(state, sheet, { kind: "line", index: one.lower_index }, one.lower)),
      facts([
        ["Apart, centre to centre", one.separation_m === null ? "a depth is missing" : `${units.say(one.separation_m)} ± ${units.say(one.separation_95_m)}`],
        ["Between surfaces", one.surface_separation_m === null ? "a size is not declared" : units.say(one.surface_separation_m)],
        ["Sure of the order", one.order_certainty === null ? "" : chance(one.order_certainty)],
        ["Angle", one.angle_deg === null ? "" : `${one.angle_deg}°`],
      ]),
    ];
  }

  private exposure(index: number): Child {
    const { state } = this;
    const { units } = state;
    const one = state.view.exposures[index]!;
    return [
      h("p", { class: "lead" }, `${one.line} seen${one.when ? ` on ${one.when}` : ""}${one.who ? ` by ${one.who}` : ""}`),
      h("p", {}, units.sentence(one.words)),
      facts([
        ["Top below ground", units.say(one.top_depth_m)],
        ["Located less true depth", units.say(one.em_depth_error_m)],
      ]),
      state.may.work ? h("p", { class: "deeds" }, h("button", { type: "button", click: () => this.deeds.removeDig("exposure", one.name) }, "Remove this exposure …")) : null,
    ];
  }
}

const LEAST_SHARE = 0.02;

/** Two stacked bars, sideways and height; parts are shares of the variance, keyed by letters. */
function budgetFigure(terms: BudgetTerm[], state: State): Child {
  const { units } = state;
  const kept = terms.filter((one) => one.horizontal_share >= LEAST_SHARE || (one.vertical_share ?? 0) >= LEAST_SHARE).slice(0, 8);
  const tones = kept.length;
  const bar = (title: string, share: (one: BudgetTerm) => number): HTMLElement => {
    const rest = Math.max(0, 1 - kept.reduce((sum, one) => sum + share(one), 0));
    let at = 0;
    const width = 300;
    const parts = kept.map((one, k) => {
      const size = share(one) * width;
      const box = [
        s("rect", { x: at, y: 0, width: Math.max(size, 0), height: 20, class: `tone tone-${k % 8}` }),
        size > 13 ? s("text", { x: at + size / 2, y: 14, "text-anchor": "middle", class: `tone-letter tone-letter-${k % 8}` }, letter(k)) : null,
      ];
      at += size;
      return box;
    });
    const words = kept.filter((one) => share(one) >= LEAST_SHARE).map((one) => `${one.title} ${(100 * share(one)).toFixed(0)} %`).join(", ");
    return h("div", { class: "stack" }, h("span", {}, title),
      s("svg", { viewBox: `0 0 ${width} 20`, preserveAspectRatio: "none", role: "img", "aria-label": `${title}: ${words}` },
        parts, s("rect", { x: at, y: 0, width: rest * width, height: 20, class: "tone rest" }), s("rect", { x: 0.5, y: 0.5, width: width - 1, height: 19, class: "edge" })) as unknown as Node);
  };
  const height = kept.some((one) => (one.vertical_share ?? 0) > 0);
  return h("div", { class: "budget", "data-tones": tones },
    bar("Sideways", (one) => one.horizontal_share),
    height ? bar("Height", (one) => one.vertical_share ?? 0) : null,
    h("ol", {}, kept.map((one, k) => h("li", {},
      h("span", { class: `key tone-${k % 8} tone-letter-${k % 8}` }, letter(k)),
      h("span", {}, h("b", {}, one.title), one.shared ? h("em", {}, " shared with other shots") : null,
        h("small", {}, `± ${units.say(one.horizontal_sd_m, 3)} sideways${one.vertical_sd_m ? `, ± ${units.say(one.vertical_sd_m, 3)} in height` : ""} (one standard deviation). From: ${units.sentence(one.basis)}`))))));
}

const letter = (k: number): string => String.fromCharCode(97 + k);

/** A ruler with the range of a clearance; contact stands at zero. */
function clearanceBar(low: number | null, middle: number | null, high: number | null, state: State): Child {
  if (low === null || middle === null || high === null) return null;
  const reach = Math.max(high, 0.3) * 1.1;
  const start = Math.min(low, 0) - reach * 0.08;
  const x = (value: number): number => (300 * (value - start)) / (reach - start);
  return s("svg", { viewBox: "0 0 300 34", class: "ruler", role: "img", "aria-label": `Clearance ${state.units.say(middle)}, 90 % between ${state.units.say(low)} and ${state.units.say(high)}` },
    s("path", { d: `M${x(start)} 22H300`, class: "axis" }),
    s("path", { d: `M${x(0)} 10V28`, class: "zero" }), s("text", { x: x(0) + 3, y: 33, class: "figure" }, "contact"),
    s("rect", { x: x(low), y: 14, width: Math.max(1, x(high) - x(low)), height: 8, class: "range" }),
    s("path", { d: `M${x(middle)} 9V26`, class: "median" }),
    s("text", { x: Math.min(x(middle) + 4, 250), y: 10, class: "figure" }, state.units.say(middle))) as unknown as Node;
}
