// Starts and stops the program that serves the invented drive, and reads what people asked for of it.
import { spawn } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";

export const sleep = (ms) => new Promise((done) => setTimeout(done, ms));

/** A port that nothing listens on now. */
export function freePort() {
  return new Promise((done) => {
    const server = createServer().listen(0, "127.0.0.1", () => {
      const { port } = server.address();
      server.close(() => done(port));
    });
  });
}

export class Served {
  constructor(port) {
    this.port = port;
    this.folder = mkdtempSync(join(tmpdir(), "drawdown-page-"));
    this.tokenFile = join(this.folder, "token");
    this.lines = [];
  }

  get origin() { return `http://127.0.0.1:${this.port}`; }
  get token() { return readFileSync(this.tokenFile, "utf8").trim(); }

  async start() {
    this.process = spawn("target/debug/examples/page", [`127.0.0.1:${this.port}`, this.tokenFile], { stdio: ["pipe", "pipe", "inherit"] });
    let rest = "";
    this.process.stdout.on("data", (bytes) => {
      const parts = (rest + bytes).split("\n");
      rest = parts.pop();
      this.lines.push(...parts.map((line) => JSON.parse(line)));
    });
    this.ended = new Promise((done) => this.process.on("exit", done));
    await this.line((line) => line.address);
  }

  say(word) { this.process.stdin.write(`${word}\n`); }

  /** Waits for a line that the program wrote, and takes it. */
  async line(wanted, ms = 4000) {
    const until = Date.now() + ms;
    while (Date.now() < until) {
      const index = this.lines.findIndex(wanted);
      if (index >= 0) return this.lines.splice(index, 1)[0];
      await sleep(20);
    }
    throw new Error(`the program did not write what was waited for: ${wanted}; it wrote ${JSON.stringify(this.lines)}`);
  }

  async kill() {
    this.process.kill("SIGKILL");
    await this.ended;
  }

  /** Starts it again if a check that failed left it dead. */
  async alive() {
    if (this.process.exitCode !== null || this.process.signalCode !== null) await this.start();
  }

  async finish() {
    await this.ended;
    rmSync(this.folder, { recursive: true });
  }

  /** Memory that it holds now, kB. */
  memory() {
    return Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${this.process.pid}/status`, "utf8"))[1]);
  }
}
