package exact

import "testing"

func TestJSON(t *testing.T) {
	type pair struct {
		B string `json:"b"`
		A int    `json:"a"`
	}
	tests := []struct {
		name string
		v    any
		want string
	}{
		{"fields in their order", pair{"x", 1}, `{"b":"x","a":1}`},
		{"markup stays readable", pair{`<b> & "q"`, 0}, `{"b":"<b> & \"q\"","a":0}`},
		{"other scripts stay readable", pair{"Żółw 庭 🌱", 0}, `{"b":"Żółw 庭 🌱","a":0}`},
		{"a line feed is no new line", pair{"a\n", 0}, `{"b":"a\n","a":0}`},
		{"a map is sorted", map[string]int{"b": 2, "a": 1}, `{"a":1,"b":2}`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := JSON(tt.v)
			if err != nil || string(got) != tt.want {
				t.Errorf("JSON(%v) = %s, %v; want %s", tt.v, got, err, tt.want)
			}
		})
	}
	if _, err := JSON(func() {}); err == nil {
		t.Error("JSON of a function gave no error")
	}
}
