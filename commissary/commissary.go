// Package commissary holds the nouns of a central kitchen and its shops, and
// nothing that computes, stores or carries them: orders of a night, the
// kitchen book, needs, batches, lots, plans, picks and manifests, the reasons
// a plan gives, the errors people see, and the contract of the store.
//
// A type stands here only if two rooms exchange it.
package commissary
