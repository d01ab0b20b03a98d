"use strict";
// The page as it was written, before any script changes it: this is what is saved again. It must run first.
globalThis.probekitPristine = document.documentElement.cloneNode(true);
