// Real MicroPython with a 32-bit object model. Usage: node wasm32.mjs NODE_MODULES CODE DIRECTORY...
// Each directory's tree of .py and .mpy files is laid on the module path, in this order.
import fs from 'fs';
import path from 'path';
import { pathToFileURL } from 'url';

const [modules, code, ...directories] = process.argv.slice(2);
const entry = path.join(modules, '@micropython/micropython-webassembly-pyscript/micropython.mjs');
const { loadMicroPython } = await import(pathToFileURL(path.resolve(entry)).href);
const board = await loadMicroPython({ heapsize: 8 << 20, stdout: (line) => console.log(line), linebuffer: true });

function lay(from, to) {
  board.FS.mkdir(to);
  for (const name of fs.readdirSync(from)) {
    const here = path.join(from, name);
    if (fs.statSync(here).isDirectory()) lay(here, `${to}/${name}`);
    else if (/\.m?py$/.test(name)) board.FS.writeFile(`${to}/${name}`, fs.readFileSync(here));
  }
}

directories.forEach((directory, i) => {
  lay(directory, `/path${i}`);
  board.runPython(`import sys; sys.path.append('/path${i}')`);
});
try {
  board.runPython(code);
} catch (error) {
  console.log(error.message);
  process.exitCode = 1;
}
