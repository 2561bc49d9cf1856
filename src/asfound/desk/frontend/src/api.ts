// Talking to the desk's API: JSON in and out, troubles as sentences with remedies.

export class Trouble extends Error {
  constructor(
    readonly title: string,
    readonly remedy: string,
    readonly field: string,
    readonly status: number,
  ) {
    super(title);
  }
}

interface Problem {
  title?: string;
  detail?: unknown;
  remedy?: string;
  field?: string;
}

export class Api {
  constructor(
    readonly base: string,
    private readonly csrf: string,
  ) {}

  get<T>(path: string): Promise<T> {
    return this.send<T>("GET", path);
  }

  post<T>(path: string, body: unknown, key = newKey()): Promise<T> {
    return this.send<T>("POST", path, body, key);
  }

  put<T>(path: string, body: unknown): Promise<T> {
    return this.send<T>("PUT", path, body);
  }

  patch<T>(path: string, body: unknown): Promise<T> {
    return this.send<T>("PATCH", path, body);
  }

  remove<T>(path: string, body: unknown): Promise<T> {
    return this.send<T>("DELETE", path, body);
  }

  private async send<T>(method: string, path: string, body?: unknown, key?: string): Promise<T> {
    const headers: Record<string, string> = { Accept: "application/json" };
    if (method !== "GET") headers["X-CSRF-Token"] = this.csrf;
    if (key) headers["Idempotency-Key"] = key;
    let payload: BodyInit | undefined;
    if (body instanceof FormData) {
      payload = body;
    } else if (body !== undefined) {
      headers["Content-Type"] = "application/json";
      payload = JSON.stringify(body);
    }
    let answer: Response;
    try {
      answer = await fetch(path.startsWith("/") ? path : `${this.base}/${path}`, {
        method,
        headers,
        body: payload ?? null,
        credentials: "same-origin",
      });
    } catch {
      throw new Trouble(
        "The desk does not answer.",
        "Nothing was lost: check the connection and try again.",
        "",
        0,
      );
    }
    if (!answer.ok) throw await troubleOf(answer);
    if (answer.status === 204) return undefined as T;
    return (await answer.json()) as T;
  }
}

async function troubleOf(answer: Response): Promise<Trouble> {
  let problem: Problem = {};
  try {
    problem = (await answer.json()) as Problem;
  } catch {
    // Not JSON: a proxy's page; the status is all there is.
  }
  const detail = typeof problem.detail === "string" ? problem.detail : "";
  return new Trouble(
    detail || problem.title || `The desk answered with status ${answer.status}.`,
    problem.remedy ?? (answer.status === 401 ? "Log in again." : "Try again; if it stays so, tell the administrator."),
    problem.field ?? "",
    answer.status,
  );
}

/** One a deed: the same deed sent twice is done once. */
export function newKey(): string {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

export async function fetchJson<T>(address: string): Promise<T> {
  const answer = await fetch(address, { credentials: "same-origin" });
  if (!answer.ok) throw await troubleOf(answer);
  return (await answer.json()) as T;
}
