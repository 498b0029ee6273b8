// The MicroPython program's logic under MicroPython itself (its WebAssembly port), with a cell and sensors at its pins.
// node board.mjs PORT_OF_MICROPYTHON LOGIC BOARD [CONSTANTS]: orders on standard input, as bench.c takes them.
import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { pathToFileURL } from "node:url";

const [port, logic, board, constants = ""] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(port).href);
const python = await loadMicroPython({ stdout: (line) => process.stdout.write(line + "\n"), linebuffer: true });
python.FS.writeFile("/logic.py", readFileSync(logic, "utf8"));
python.FS.writeFile("/board_at_pins.py", readFileSync(board, "utf8"));
python.runPython(`import sys; sys.path.insert(0, "/"); import board_at_pins; at = board_at_pins.AtPins(${constants})`);
const { obey } = python.globals.get("at");
for await (const line of createInterface({ input: process.stdin })) {
  if (line === "quit") break;
  obey(line);
  process.stdout.write(".\n");
}
