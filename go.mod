module anchorhold.test/anchorhold

go 1.26
