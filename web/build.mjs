// Bundles src into dist under names with content hashes, and writes
// manifest.json, which maps plain names to hashed ones, and notices.txt. What an earlier build
// left behind is removed, so that the program embeds one bundle only.
import { readFile, readdir, rm, writeFile } from "node:fs/promises";
import { basename, join } from "node:path";
import { fileURLToPath } from "node:url";
import * as esbuild from "esbuild";

const here = fileURLToPath(new URL(".", import.meta.url));
const dist = join(here, "dist");

for (const name of await readdir(dist)) {
  if (name !== ".keep") await rm(join(dist, name), { recursive: true });
}

const result = await esbuild.build({
  absWorkingDir: here,
  entryPoints: { app: "src/app.ts", style: "src/style.css" },
  outdir: "dist",
  entryNames: "[name]-[hash]",
  bundle: true,
  minify: true,
  metafile: true,
  target: ["es2022"],
  format: "iife",
  legalComments: "none",
  logLevel: "warning",
});

const manifest = {};
for (const [path, output] of Object.entries(result.metafile.outputs)) {
  if (!output.entryPoint) continue;
  const plain = basename(output.entryPoint).replace(/\.ts$/, ".js");
  manifest[plain] = basename(path);
}
await writeFile(join(dist, "manifest.json"), JSON.stringify(manifest, null, 2) + "\n");

// What the bundle contains of others goes out with its licence.
const notices = [];
for (const name of ["htmx.org", "htmx-ext-sse", "uplot"]) {
  const folder = join(here, "node_modules", name);
  const { version, license } = JSON.parse(await readFile(join(folder, "package.json"), "utf8"));
  notices.push(`${name} ${version} (${license})\n\n${await readFile(join(folder, "LICENSE"), "utf8")}`);
}
await writeFile(join(dist, "notices.txt"), notices.join(`\n${"-".repeat(72)}\n\n`));

for (const [plain, hashed] of Object.entries(manifest)) {
  const size = result.metafile.outputs[`dist/${hashed}`].bytes;
  console.log(`${plain} -> dist/${hashed} (${(size / 1000).toFixed(1)} kB)`);
}
