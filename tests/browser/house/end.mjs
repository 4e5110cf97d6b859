// Closes the browser after the tests of a file; each test file imports this.

import { after } from "node:test";
import { endBrowser } from "./browser.mjs";

after(endBrowser);
