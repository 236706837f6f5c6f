// The page on how to hold a chanter: its links lead back into practice.

import { carry } from "/kit/entry.js";

carry(document);
