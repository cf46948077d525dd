// Runs a MicroPython script in the 32-bit WebAssembly build: node run32.mjs SCRIPT DIR...
// Every DIR's Python files are put on the import path.
import fs from "fs";
import path from "path";
import { loadMicroPython } from "@micropython/micropython-webassembly-pyscript/micropython.mjs";

const [script, ...places] = process.argv.slice(2);
const mp = await loadMicroPython({ heapsize: 512 * 1024, stdout: (line) => console.log(line), linebuffer: true });

function copy(from, to) {
  for (const entry of fs.readdirSync(from, { withFileTypes: true })) {
    const source = path.join(from, entry.name);
    const target = to + "/" + entry.name;
    if (entry.isDirectory() && entry.name !== "__pycache__") {
      mp.FS.mkdir(target);
      copy(source, target);
    } else if (entry.name.endsWith(".py")) {
      mp.FS.writeFile(target, fs.readFileSync(source, "utf8"));
    }
  }
}

try {
  places.forEach((place, n) => {
    mp.FS.mkdir("/p" + n);
    copy(place, "/p" + n);
    mp.runPython(`import sys\nsys.path.insert(0, "/p${n}")`);
  });
  mp.runPython(fs.readFileSync(script, "utf8"));
} catch (error) {
  console.log(String(error.message ?? error));
  process.exit(1);
}
