// A Sparkplug node of the package sparkplug-client, told by lines of JSON on standard input what to publish:
// ["publishDeviceData", "hoist", {...}] calls that function of the client. "birth" is printed when births are due.
const fs = require("fs");
const readline = require("readline");
const { newClient } = require("sparkplug-client");

const config = JSON.parse(process.argv[2]);
if (config.ca) config.mqttOptions = { ca: fs.readFileSync(config.ca) };
const client = newClient(config);
client.on("birth", () => console.log("birth"));
client.on("error", (error) => console.log("error " + error));
readline.createInterface({ input: process.stdin }).on("line", (line) => {
  const [name, ...words] = JSON.parse(line);
  client[name](...words);
  console.log("done");
});
