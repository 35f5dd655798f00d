// Package house holds the tests that guard how the tree is built: which package
// may lean on which, what the pure packages keep out, that everything exported
// is explained, what stands at the top level, and what no file mentions.
//
// There is nothing in it to call. A rule is a line in one of the tables at the
// top of house_test.go, with its reason; a test that fails says which file breaks
// which rule and why the rule is there.
package house
