// The pages without signal, filled from what this phone keeps.
"use strict";
