// Ends the browser when the tests of a file are over; each file of tests takes this in.

import { after } from "node:test";
import { endBrowser } from "./browser.mjs";

after(endBrowser);
