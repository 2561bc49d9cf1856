// Bundles the job page into ../static/bundle. Code for backgrounds is loaded only when asked for.
import { rm } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import { build } from "esbuild";

const here = fileURLToPath(new URL(".", import.meta.url));
const out = `${here}../static/bundle`;

await rm(out, { recursive: true, force: true });
await build({
  absWorkingDir: here,
  entryPoints: { job: "src/main.ts", "job-page": "src/job.css" },
  outdir: out,
  bundle: true,
  splitting: true,
  format: "esm",
  target: ["es2022"],
  minify: true,
  legalComments: "eof",
  chunkNames: "part-[hash]",
  logLevel: "warning",
});
