// A real daemon with a simulated line, in a temporary folder.

import { spawn } from "node:child_process";
import { mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { dirname, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";

export const top = resolve(dirname(fileURLToPath(import.meta.url)), "../..");
const binary = process.env.NOSEBAR_BIN ?? join(top, "target/debug/nosebar");

/** The belt is slow, so that the advance can be looked at. */
const config = (speed, port, belt) => `
[daemon]
listen = "127.0.0.1:${port}"
settle_s = 0.5
rescan_s = 2.0

[[line]]
name = "one"

[line.printer]
link = "simulated"
speed = ${speed.toFixed(1)}

[line.belt]
travel_mm_min = 300.0
peel_mm_min = 120.0
${belt}

[line.check]
kind = "ask"
`;

/** Starts a daemon whose clear check asks a person; `belt` is further lines for the config's belt. */
export async function startDaemon({ speed = 60, belt = "" } = {}) {
  const dir = await mkdtemp(join(tmpdir(), "nosebar-page-"));
  const file = join(dir, "nosebar.toml");
  await writeFile(file, config(speed, 0, belt));
  let child;
  let address;

  const start = async () => {
    child = spawn(binary, ["serve", "--config", file], { stdio: ["ignore", "pipe", "pipe"] });
    let said = "";
    child.stderr.on("data", (bytes) => { said += bytes; });
    address = await new Promise((found, failed) => {
      child.stdout.on("data", (bytes) => {
        said += bytes;
        const page = /page: (http:\/\/\S+?)\/?\s/.exec(said);
        if (page) found(page[1]);
      });
      child.on("error", failed);
      child.on("exit", () => failed(new Error(`the daemon ended: ${said}`)));
    });
  };
  const end = async (signal) => {
    if (child.exitCode !== null || child.signalCode !== null) return;
    const ended = new Promise((done) => child.once("exit", done));
    child.kill(signal);
    await ended;
  };

  await start();
  return {
    get address() { return address; },
    /** What the API says. */
    read: async (path) => (await fetch(`${address}/api/v1${path}`)).json(),
    /** The config file as it is now. */
    config: () => readFile(file, "utf8"),
    /** It does nothing more, and is not gone. */
    pause: () => child.kill("SIGSTOP"),
    goOn: () => child.kill("SIGCONT"),
    /** As when the power fails. */
    kill: () => end("SIGKILL"),
    /** Again, at the same address. */
    restart: async () => {
      await writeFile(file, config(speed, new URL(address).port, belt));
      await start();
    },
    close: async () => {
      await end("SIGTERM");
      await rm(dir, { recursive: true, force: true });
    },
  };
}
