// An OpenID provider to sign in at: oidc-provider from the npm registry, with its own forms for trying it out.
// Whoever signs in is whoever they say they are. Arguments: the folder of the packages, a port, the address to go back to.
import { pathToFileURL } from "node:url";

const [modules, port, back] = process.argv.slice(2);
const { default: Provider } = await import(pathToFileURL(`${modules}/oidc-provider/lib/index.js`));

const client = (id, method) => ({
  client_id: id,
  ...(method === "none" ? {} : { client_secret: "an invented/secret+of:thirty-two" }),
  token_endpoint_auth_method: method,
  application_type: "native",
  redirect_uris: [back],
  grant_types: ["authorization_code"],
});

const provider = new Provider(`http://127.0.0.1:${port}`, {
  clients: [
    client("access-ledger", "client_secret_basic"),
    client("access-ledger-public", "none"),
  ],
  pkce: { required: () => true },
  cookies: { keys: ["invented"] },
});

provider.listen(Number(port), "127.0.0.1", () => console.log("ready"));
