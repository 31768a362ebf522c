//go:build !slow

package learn

// thinnedRecords are the records of TestThinnedRecordsNameNoCause.
const thinnedRecords = 2
