package live

// mayBeLate is how many frames may come late to a board in software: it runs on the
// machine that runs the tests, which may take the processor away from it.
const mayBeLate = 2
