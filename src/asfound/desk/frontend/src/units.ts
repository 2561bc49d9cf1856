// Lengths in the reader's unit: metres, international feet or US survey feet, never "feet" alone.

export interface Unit {
  code: string;
  word: string;
  symbol: string;
  metres: number;
}

export const METRE: Unit = { code: "m", word: "metre", symbol: "m", metres: 1 };

const MISSING = "not known";

export class Units {
  constructor(
    readonly length: Unit,
    readonly grid: Unit,
  ) {}

  /** A length with its unit. */
  say(metres: number | null | undefined, digits = 2): string {
    if (metres === null || metres === undefined || !Number.isFinite(metres)) return MISSING;
    return `${this.number(metres, digits)} ${this.length.symbol}`;
  }

  /** A length without its unit; empty where missing. */
  number(metres: number | null | undefined, digits = 2): string {
    if (metres === null || metres === undefined || !Number.isFinite(metres)) return "";
    return plain(metres / this.length.metres, digits);
  }

  /** An easting or a northing in the grid's unit, which is the file's unit too. */
  coordinate(metres: number, digits = 3): string {
    return plain(metres / this.grid.metres, digits);
  }

  /** What a person typed, in metres; NaN if it is no number. */
  parse(text: string): number {
    const value = Number(text.trim().replace(",", "."));
    return text.trim() === "" ? NaN : value * this.length.metres;
  }

  /** A sentence with lengths in metres, said in this unit. */
  sentence(words: string): string {
    return this.length.code === "m" ? words : lengthsIn(words, this.length);
  }
}

function plain(value: number, digits: number): string {
  const text = value.toFixed(digits);
  return Number(text) === 0 ? (0).toFixed(digits) : text.replace("-", "\u2212");
}

const NUMBER = "[-+\u2212]?\\d+(?:\\.\\d+)?";
const LENGTH = new RegExp(`(${NUMBER})( (?:to|and|or) )?(${NUMBER})? m\\b(?!/)`, "g");

/** The same as `asfound.units.lengths_in`. */
export function lengthsIn(words: string, unit: Unit): string {
  return words.replace(
    LENGTH,
    (whole: string, first: string, joint: string | undefined, second: string | undefined) => {
      if ((joint === undefined) !== (second === undefined)) return whole;
      let said = converted(first, unit);
      if (joint !== undefined && second !== undefined) said += joint + converted(second, unit);
      return `${said} ${unit.symbol}`;
    },
  );
}

function converted(text: string, unit: Unit): string {
  const number = Number(text.replace("\u2212", "-"));
  const decimals = (text.split(".")[1] ?? "").length;
  const whole = decimals === 0 && Math.abs(number) >= 10;
  const said = (number / unit.metres).toFixed(whole ? 0 : Math.max(decimals, 2));
  return text.startsWith("+") ? `+${said}` : said;
}

/** The unit's word for many: metres, US survey feet. */
export function many(unit: Unit): string {
  return unit.word.endsWith("foot") ? `${unit.word.slice(0, -4)}feet` : `${unit.word}s`;
}

/** 1, 2 or 5 times a power of ten, at least `least`. */
export function roundStep(least: number): number {
  const power = 10 ** Math.floor(Math.log10(least));
  for (const step of [1, 2, 5, 10]) {
    if (step * power >= least * (1 - 1e-9)) return step * power;
  }
  return 10 * power;
}

/** Decimals that show a step of this size. */
export function decimalsOf(step: number): number {
  return Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
}

/** A chance for people: never 0 or 100 %. */
export function chance(p: number | null): string {
  if (p === null) return "";
  if (p < 0.001) return "< 0.1 %";
  if (p > 0.999) return "> 99.9 %";
  return `${(100 * p).toFixed(1)} %`;
}
