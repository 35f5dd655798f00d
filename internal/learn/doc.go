// Package learn says what a site's own history shows: how often something is
// found, with intervals that are exact; whether rejections or finds have become more
// or fewer than chance explains; how long packages take.
//
// Start with [Rates] for a table and [Buckets] with [PChart] and [Watch] for
// charts over time. [Proportion] and [Count] are the intervals by themselves,
// [Cusum] is the cumulative sum by itself. Rounds come in as values, from package
// store.
//
// It looks back only: it predicts nothing, judges nobody, and gives no limits where
// there is too little to base them on. Plants of one package share what ails them,
// so finds are not as independent as the intervals take them to be: the truth is
// somewhat less certain than they say.
package learn
