// Package lighthouse holds the documents of the example: the rig of a lighthouse
// keeper automaton and its motions. There is no code in it; the tests load,
// compile and check the documents, so that the tutorial stays true.
package lighthouse
