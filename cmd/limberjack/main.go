// Command limberjack turns motion scripts for props and puppets into checked
// pulses: see README.md.
package main

import "os"

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }
