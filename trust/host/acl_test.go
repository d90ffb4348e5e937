package host

import "testing"

func TestExposed(t *testing.T) {
	const users, self, admins = "S-1-5-32-545", "S-1-5-21-1-2-3-1000", "S-1-5-32-544"
	full, read := access{SID: admins, Mask: 0x1f01ff}, access{SID: users, Mask: 0x1200a9}
	for name, c := range map[string]struct {
		owner string
		list  []access
		end   bool
		fine  bool
	}{
		"administrators'":         {admins, []access{full, read}, true, true},
		"our own":                 {self, []access{{SID: self, Mask: 0x1f01ff}}, true, true},
		"a user's":                {users, []access{full}, true, false},
		"adding on the way":       {admins, []access{{SID: users, Mask: aclWrite | aclAppend}}, false, true},
		"adding at the end":       {admins, []access{{SID: users, Mask: aclWrite}}, true, false},
		"deleting on the way":     {admins, []access{{SID: users, Mask: aclChild}}, false, false},
		"deleting it":             {admins, []access{{SID: users, Mask: aclDelete}}, false, false},
		"changing the list":       {admins, []access{{SID: users, Mask: aclChangeList}}, false, false},
		"everything, generically": {admins, []access{{SID: users, Mask: aclAll}}, false, false},
		"for what is made below":  {admins, []access{{SID: users, Mask: 0x1f01ff, Inherit: true}}, true, true},
	} {
		if why := exposed(c.owner, self, c.list, c.end); (why == "") != c.fine {
			t.Errorf("%s: %q", name, why)
		}
	}
}
