// Bundles the job page into ../static/bundle. Code for backgrounds is loaded only when asked for.
import { readdir, readFile, rm, writeFile } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import { build } from "esbuild";

const here = fileURLToPath(new URL(".", import.meta.url));
const out = `${here}../static/bundle`;

await rm(out, { recursive: true, force: true });
const made = await build({
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
  metafile: true,
});

// Whose work is in the bundle, and under which terms.
const packages = new Set();
for (const input of Object.keys(made.metafile.inputs)) {
  const match = /node_modules\/((?:@[^/]+\/)?[^/]+)\//.exec(input);
  if (match) packages.add(match[1]);
}
const texts = [];
for (const name of [...packages].sort()) {
  const folder = `${here}node_modules/${name}`;
  const about = JSON.parse(await readFile(`${folder}/package.json`, "utf8"));
  const file = (await readdir(folder)).find((one) => /^licen[cs]e/i.test(one));
  const text = file ? await readFile(`${folder}/${file}`, "utf8") : "";
  texts.push(`${name} ${about.version} (${about.license ?? "see below"})\n\n${text.trim()}\n`);
}
await writeFile(`${out}/licenses.txt`, texts.join(`\n${"-".repeat(80)}\n\n`));
