// The page on how to hold a chanter: its links lead back into practice.

import { carry } from "/kit/entry.js";

carry(document);
// A link that is followed before it carries the token would not be let in.
for (const early of document.querySelectorAll("[inert]")) early.inert = false;
