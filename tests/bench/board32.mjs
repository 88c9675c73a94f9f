// A MicroPython of 32 bits in place of the one of 64: `node board32.mjs PACKAGE FOLDER [FOLDER ...] SCRIPT [SCRIPT ...]`
// puts the files of the folders into its memory under their own paths and runs the scripts, one after the other; between
// two of them its garbage is collected, which this port does at no other time. What they print is printed.
import fs from "node:fs";
import path from "node:path";

const [pack, ...rest] = process.argv.slice(2);
const { loadMicroPython } = await import(path.join(pack, "micropython.mjs"));
const board = await loadMicroPython({
    heapsize: 16 << 20,
    linebuffer: false,
    stdout: (data) => process.stdout.write(data),
    stderr: (data) => process.stderr.write(data),
});

function bring(file) {
    if (!fs.statSync(file).isDirectory()) {
        board.FS.writeFile(file, fs.readFileSync(file));
    } else if (path.basename(file) !== "__pycache__") {
        board.FS.mkdirTree(file);
        fs.readdirSync(file).forEach((name) => bring(path.join(file, name)));
    }
}

const scripts = rest.filter((name) => name.endsWith(".py"));
for (const folder of rest.filter((name) => !name.endsWith(".py"))) bring(folder);
board.FS.mkdirTree(process.cwd());
board.FS.chdir(process.cwd());
try {
    for (const script of scripts) {
        board.runPython("import gc\ngc.collect()");
        board.runPython(fs.readFileSync(script, "utf8"));
    }
} catch (error) {
    process.stderr.write(`${error.message}\n`);
    process.exit(1);
}
process.exit(0);
