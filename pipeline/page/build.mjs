// Builds the page into ../dieplat/annotate/page, or into the folder given. The same sources give the same bytes.
import { build } from "esbuild";
import { copyFileSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";

const here = dirname(fileURLToPath(import.meta.url));
const out = process.argv[2] ?? join(here, "../dieplat/annotate/page");
mkdirSync(out, { recursive: true });
const result = await build({
  entryPoints: { page: join(here, "src/main.js") },
  bundle: true,
  minify: true,
  format: "esm",
  target: ["es2022"],
  charset: "utf8",
  legalComments: "none",
  outdir: out,
  metafile: true,
  absWorkingDir: here,
});
for (const name of ["index.html", "icon.svg"]) copyFileSync(join(here, "src", name), join(out, name));
// The licences of what is bundled ask for their notices.
const packages = new Set(
  Object.keys(result.metafile.inputs)
    .map((path) => path.match(/node_modules\/((?:@[^/]+\/)?[^/]+)\//)?.[1])
    .filter(Boolean),
);
const notices = [...packages].sort().map((name) => {
  const folder = join(here, "node_modules", name);
  const { version, license } = JSON.parse(readFileSync(join(folder, "package.json"), "utf8"));
  const text = ["LICENSE.md", "LICENSE", "license", "LICENSE.txt"].flatMap((file) => {
    try {
      return [readFileSync(join(folder, file), "utf8").trim()];
    } catch {
      return [];
    }
  });
  return `${name} ${version} (${license})\n\n${text[0] ?? ""}\n`;
});
writeFileSync(join(out, "notices.txt"), notices.join("\n" + "-".repeat(72) + "\n\n"));
