// What several of the desk's scripts say.

export const NO_ANSWER = "The studio no longer answers: look whether fingerlead is still running.";
